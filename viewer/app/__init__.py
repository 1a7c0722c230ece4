"""The window: ``model`` knows no widget, ``views`` are handed their model."""
