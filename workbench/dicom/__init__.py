"""DICOM objects out: images, segmentations, contours, pictures and pages of a case, with an identity of their own."""
