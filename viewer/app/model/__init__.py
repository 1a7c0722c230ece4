"""What the window shows, apart from how."""
