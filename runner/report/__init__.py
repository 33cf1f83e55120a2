"""What becomes of a journal: the tables of a run and its short summary."""
