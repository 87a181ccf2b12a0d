"""What engine and desk say to each other, and nothing else."""
