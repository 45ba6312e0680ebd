"""As `tests.fuzzing`, led by coverage: `python -m tests.guided_fuzzing KIND [SECONDS]` (`make fuzz-guided`).

The fuzzer keeps an input that reaches a line or a branch of the audit that none reached before, and changes that one
further; of an archive or workbook one of its parts, packed again, so that check sums hold. An input that is neither
read nor refused, that takes over 10 s, or that takes over 1 GB stops it; it says which, and writes the input to a file
beside it.
"""

from __future__ import annotations

import random
import sys
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Final

import atheris

with atheris.instrument_imports(include=["audit"]):
    from audit.errors import AuditError
    from tests.fuzzing import KINDS, PACKED, make_inputs, packed_again

LARGEST: Final = 100_000


def main(kind: str, seconds: int = 120) -> None:
    """Fuzz one kind of input for so long; the process ends with what the fuzzer says."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        inputs = make_inputs(folder)
        corpus = folder / "corpus"
        corpus.mkdir()
        for number, content in enumerate(inputs.sound[kind]):
            (corpus / str(number)).write_bytes(content)

        def read(content: bytes) -> None:
            with suppress(AuditError):
                inputs.read(kind, content)

        def inside(content: bytes, longest: int, seed: int) -> bytes:
            """Change one part; now and then the archive itself, so that damaged ones are tried too."""
            draw = random.Random(seed)
            if draw.randrange(8):
                again = packed_again(content, lambda part: atheris.Mutate(part, LARGEST), draw)
                if again is not None and len(again) <= longest:
                    return again
            return bytes(atheris.Mutate(content, longest))

        limits = (f"-max_total_time={seconds}", f"-max_len={LARGEST}", "-timeout=10", "-rss_limit_mb=1024")
        own = {"custom_mutator": inside} if kind in PACKED else {}
        atheris.Setup([sys.argv[0], *limits, "-print_final_stats=1", str(corpus)], read, **own)
        atheris.Fuzz()


if __name__ == "__main__":
    if len(sys.argv) < 2 or sys.argv[1] not in KINDS:
        sys.exit(f"give one of {', '.join(KINDS)}, and for how many seconds")
    main(sys.argv[1], *map(int, sys.argv[2:3]))
