"""DICOM objects to and from an archive over the network; nothing happens unless a person asks for it."""
