"""Arrays of linear light in, readings out.  Imports numpy, scipy, OpenCV and `viewer.errors` only."""
