"""Are the digital records what the paper says? A sample of them is drawn, held beside the paper, and read back."""
