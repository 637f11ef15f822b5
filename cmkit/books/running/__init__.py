"""How a book is made: notebooks, kernels, executors."""
