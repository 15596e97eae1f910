"""Exact truth of a phantom: frames, joints, windows, targets, removals."""
