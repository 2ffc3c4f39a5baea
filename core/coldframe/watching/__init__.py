"""Following a night while the camera writes it."""
