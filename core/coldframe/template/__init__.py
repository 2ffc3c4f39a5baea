"""A plugin to start from: a package with one small step, its tests and a recipe that uses it."""
