"""What the records show: conditions over them, treatments, sessions, boots and takeoffs, and how sure each of it is."""
