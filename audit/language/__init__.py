"""The language of rule files: what a rule may say, whatever its form."""
