"""What is wrong with each compartment, how sure that is, and what follows from it: state, order and money."""
