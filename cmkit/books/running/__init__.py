"""How a book is made: notebooks and kernels."""
