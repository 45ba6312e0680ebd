"""Timeline: what happened when. Instants, installed boots, hours flown, treatments and their sessions, seasons."""
