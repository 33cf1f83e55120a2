"""The procedures that ship: found by name, loaded by path, imported by nobody."""
