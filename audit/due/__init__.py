"""What comes next: holds that run, what falls due and when, authorisations, lots and manuals that run out."""
