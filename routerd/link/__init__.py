"""What engine and server say to each other, and nothing else."""
