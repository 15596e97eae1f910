"""The rehearsal page's server: a case on a desk, and the questions a page may ask about it."""
