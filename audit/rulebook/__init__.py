"""Rulebook: what should have happened. Declarative YAML, checked on loading, each rule with its own examples."""
