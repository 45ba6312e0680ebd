"""Authoring: rules written, explained, looked over and tried out."""
