"""Physics: pure functions of arrays in SI units. No files, no printing, no knowledge of the machine's file."""
