"""Two runs side by side: which stack is deeper, sharper and flatter, and how certain that is."""
