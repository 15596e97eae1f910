"""Names of the vertebrae as a probability over all countings of the column."""
