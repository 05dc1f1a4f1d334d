"""What the system says of a full disk or a folder that cannot be written, as one sentence with a way on."""

from __future__ import annotations

import errno

_FULL = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
_SHUT = {errno.EACCES, errno.EPERM, errno.EROFS}


def is_of_disk(fault: OSError) -> bool:
    """Whether disk or permissions are at fault, and not the program."""
    return fault.errno in _FULL | _SHUT


def disk_sentence(fault: OSError) -> str:
    """Return the sentence on a fault that `is_of_disk`."""
    where = f"{fault.filename}" if fault.filename else "a file"
    if fault.errno in _FULL:
        return (
            f"{where} cannot be written whole ({fault.strerror}): make room on its disk, then run the command again; "
            "what was stored before is whole"
        )
    return (
        f"{where} cannot be read or written ({fault.strerror}): make it and its folder writable, then run the command "
        "again; nothing unfinished was stored"
    )
