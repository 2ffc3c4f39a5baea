"""Reads Netpbm grey maps and adds a percentile clip."""
