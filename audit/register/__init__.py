"""The register: what was found when, decided by whom, and whether signed records changed, from night to night."""
