"""From a scan to the anatomy: intake, bone, canal, vertebrae, parts, frames, measurements."""
