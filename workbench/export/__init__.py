"""What leaves a case for other programs: surfaces, label maps, DICOM objects, each format one module."""
