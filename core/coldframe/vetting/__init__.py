"""Vetting: what is wrong with a frame, by measurement, before it can spoil a master or a stack."""
