"""Work that joins rooms: a clip is read, measured, and becomes a result; commands and window call the same functions."""
