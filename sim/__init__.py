"""The simulated bench: the module's physics, the boxes round it, the seams that reach them."""
