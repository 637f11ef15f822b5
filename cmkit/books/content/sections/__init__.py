"""The sections of the books, one module a question; each function takes a `Book` and returns something a notebook
shows.
"""
