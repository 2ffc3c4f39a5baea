"""Pixel loops."""

from coldframe_steps.kernels.kept import keep_apart

keep_apart()
