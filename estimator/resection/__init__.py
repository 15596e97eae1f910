"""What must be freed at a level, what an instrument can take of it, and the least bone that has to go for that."""
