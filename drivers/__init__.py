"""Talks to instruments: links, command families, roles. Knows nothing of runs or the simulator."""
