"""The calibration library: masters kept across nights, found by their facts."""
