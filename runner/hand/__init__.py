"""A bench worked by hand: resistors a person connects, meters a person reads."""
