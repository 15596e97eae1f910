"""From numbers to people: the command line, the report and the pictures in it."""
