"""Planting: faults for a drill, put into records without judging them."""
