"""The boxes on the simulated bench: what each one remembers, obeys, refuses and reports.

`sim.build` makes them from the bench file; `sim.seam` puts them on a wire. A box reads
and moves the world only through its `Hookup`; it knows nothing of VISA, sockets or clocks
on the wall. The lists of commands stand at the end of each box's file.
"""
