"""The document: what the user has set up and measured, saved safely."""
