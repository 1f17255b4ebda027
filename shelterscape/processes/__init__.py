"""One module per process: read, check, compute, write. The registry finds them by name."""
