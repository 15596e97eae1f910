"""From a CT or an MR alone to a label map with names: everything the scan itself shows, before levels."""
