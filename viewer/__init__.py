"""Gloaming: line up, watch, measure and publish footage filmed through night-vision devices."""

__version__ = "0.1.0"
