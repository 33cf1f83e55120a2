"""A run once more from its own folder: the recorded wire stands in for the bench.

`recorded_lines` reads wire.log, `tape` moves along it, `stand_ins` are what the runner takes
for a VISA library, a clock, a person; `offline` replays with them, `outputs` compares what
came of it. Nothing here knows the simulator, and nothing writes into the run's folder.
"""
