"""What the standards say of bytes."""
