"""Files to exact frames, linear light and sound, and back."""
