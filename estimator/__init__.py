"""From the anatomy and an approach to numbers: channel, removal, facets, reach, decompression."""
