"""Export health: is tonight's export whole? A small profile of it, judged by a declarative suite of expectations."""
