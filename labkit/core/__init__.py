"""Arrays in, arrays out: the numbers behind the words (numpy and scipy only)."""
