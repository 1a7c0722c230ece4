"""When and where clips agree, with residuals.  Imports numpy, scipy, OpenCV and `viewer.errors` only."""
