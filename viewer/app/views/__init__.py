"""The widgets of the window."""
