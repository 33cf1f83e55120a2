"""Following runs from their folders: in the terminal, on a page, and the stop request."""
