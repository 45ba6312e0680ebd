"""`make mutants`: change the code that judges, a place at a time, and list the changes that no test notices.

Changes are made by mutmut, which runs for each the tests that reach it, the quick ones first, in a process forked from
one that has everything loaded. Run whole it takes a day: `SAMPLE=400 SEED=1 make mutants` draws as many by chance.
"""

from __future__ import annotations

import random
import sys
from typing import Any

from mutmut import __main__ as mutmut


def main(size: int, seed: int, at_once: int = 1) -> None:
    """Draw and try `size` changes, all of them where that is 0."""
    of_all = mutmut.collect_source_file_mutation_data

    def drawn(*, mutant_names: Any) -> Any:
        changes, files = of_all(mutant_names=mutant_names)
        by_name = sorted(changes, key=lambda change: change[1])
        chosen = random.Random(seed).sample(by_name, size or len(by_name))
        print(f"{len(chosen)} of {len(by_name)} changes, seed {seed}")
        return chosen, files

    mutmut.collect_source_file_mutation_data = drawn
    mutmut._run((), at_once)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
