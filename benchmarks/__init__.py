"""Reference loads, the same rules as hand-written SQL, and the comparison of both."""
