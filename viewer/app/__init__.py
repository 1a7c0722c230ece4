"""The window.  `model` knows no widget; `views` are handed their model; `main` starts it all."""
