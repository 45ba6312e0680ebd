"""An invented operator's year of maintenance records, and the code that plants faults in it.

`reference` says who and what there is, `logbook` keeps one aircraft's year plausible, `story` tells
the years and names what is planted in them, `expected` says what an audit must make of it,
`plant` writes the files.
"""
