"""The drill: what the audit finds of faults that are planted in a copy of the user's own records."""
