"""Judging an export in parts, by processes or machines: the same findings, to the byte, as in one."""
