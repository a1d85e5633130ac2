"""What a comparison of declarations cannot tell: one file for each, in the order of numbers."""
