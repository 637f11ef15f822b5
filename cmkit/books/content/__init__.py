"""What a book says: sections, figures and words, from an assessment alone."""
