"""The files a person writes: bench, module, inference; their keys, checks and starters."""
