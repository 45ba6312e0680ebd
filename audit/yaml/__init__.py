"""YAML files, as rules, settings and mappings are written in: their data, and their faults as sentences."""
