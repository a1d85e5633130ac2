"""Arrays in, arrays out: numpy and scipy only, no files, no validation."""
