"""Recipes that ship with Coldframe, found by name."""
