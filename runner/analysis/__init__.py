"""Arithmetic on measured points: efficiency, regulation, heat, losses, derating. All pure."""
