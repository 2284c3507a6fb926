"""Training: its programme, its book, its papers and its certificates."""
