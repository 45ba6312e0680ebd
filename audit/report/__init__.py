"""Who is told: the report page, the files, the terminal summary. Nothing is judged here."""
