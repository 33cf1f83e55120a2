"""Fixtures of the runner's tests."""

from tests.runner.live import live

__all__ = ["live"]
