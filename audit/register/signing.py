"""Signing a seal with a key of the operator, by OpenSSH's own program, so that anybody can check it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Final

from audit.errors import AuditError

NAMESPACE: Final = "deicer-audit-seal"
"""What the signature is for (PROTOCOL.sshsig): one made for anything else doesn't fit."""
_PROGRAM: Final = "ssh-keygen"
_PATIENCE_SECONDS: Final = 60


def check_key(key: Path) -> None:
    """AuditError where no seal could be signed with a key, asked before a long audit."""
    if shutil.which(_PROGRAM) is None:
        raise AuditError(f"the seal can't be signed: {_PROGRAM}, which is part of OpenSSH, is not installed")
    if not key.is_file():
        raise AuditError(f"the seal can't be signed: there is no key file {key}")


def sign(text: str, key: Path) -> str:
    """A detached, armoured signature of a text (PROTOCOL.sshsig). AuditError where it can't be made.

    To check it: `ssh-keygen -Y verify -f ALLOWED_SIGNERS -I WHO -n deicer-audit-seal -s seal.txt.sig < seal.txt`.
    """
    check_key(key)
    command = [_PROGRAM, "-Y", "sign", "-q", "-f", str(key), "-n", NAMESPACE]
    try:
        done = subprocess.run(command, input=text.encode(), capture_output=True, timeout=_PATIENCE_SECONDS, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise AuditError(f"the seal can't be signed with {key}: {_PROGRAM} doesn't answer") from error
    if done.returncode or not done.stdout:
        told = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise AuditError(f"the seal can't be signed with {key}: {told[-1] if told else 'no signature came back'}")
    return done.stdout.decode()
