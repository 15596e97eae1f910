"""What is known exactly of a phantom: frames, joints, windows, targets, removals."""
