"""What is tried against reading and writing, what held, and what had failed before: see README.md beside this file."""
