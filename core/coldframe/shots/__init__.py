"""What to shoot next."""
