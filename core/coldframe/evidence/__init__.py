"""What lets a photographer judge a run: stacks made without one kind of master, and probes."""
