"""How a run grows with frames and workers: predicted from what tasks were measured to cost."""
