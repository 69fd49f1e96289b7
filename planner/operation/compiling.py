"""The one place that touches the compiler: a typed decorator and a cache that cannot go stale.

Numba keys its cache by the file of the compiled function alone. The judge is one function that
calls others in other files and reads constants from them, so after a change elsewhere it would
go on running old machine code. The cache therefore lies in a folder named by a digest of all
sources of this package.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar, cast

import numba
from numba import carray, types  # type: ignore[attr-defined]  # public, not re-exported
from numba.core import cgutils
from numba.core.errors import TypingError
from numba.extending import intrinsic

_F = TypeVar("_F", bound=Callable[..., object])


def source_digest(folder: Path) -> str:
    """Return a digest of all Python sources in a folder, as hex."""
    digest = hashlib.sha256(numba.__version__.encode())
    for path in sorted(folder.glob("*.py")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:16]


def _cache_folder() -> Path:
    """Return a folder beside the sources where that can be written, else one of the user's."""
    here = Path(__file__).parent
    name = f"judge-{source_digest(here)}"
    for folder in (here / "__pycache__" / name, Path.home() / ".cache" / "oxygen-planner" / name):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            probe = folder / ".writable"
            probe.touch()
            probe.unlink()
        except OSError:
            continue
        return folder
    return here  # the compiler then finds a place of its own, or compiles every time


CACHE: Final = _cache_folder()


def is_ready() -> bool:
    """Say whether the judge has been compiled on this machine before."""
    return any(CACHE.rglob("judge.run_span-*.nbi"))


def entry(function: _F) -> _F:
    """Compile a function that Python calls, keep the machine code on disk, release the lock in it.

    The first call compiles it and all that it calls.
    """
    return _compiled(function, is_entry=True)


def compiled(function: _F) -> _F:
    """Compile a function that only compiled code calls; Python cannot.

    Without a way in from Python and C, and kept only as part of its entry, the whole judge compiles
    in 37 s where it took 54.
    """
    return _compiled(function)


def inlined(function: _F) -> _F:
    """Compile likewise, and lay the code into every caller: for what is small and called often."""
    return _compiled(function, is_inlined=True)


def _compiled(function: _F, *, is_entry: bool = False, is_inlined: bool = False) -> _F:
    config: Any = numba.config
    before = config.CACHE_DIR
    config.CACHE_DIR = str(CACHE)
    try:
        # The library's own stubs do not have these two.
        ways_in: dict[str, Any] = {"no_cpython_wrapper": not is_entry, "no_cfunc_wrapper": True}
        make = numba.njit(cache=is_entry, nogil=True, forceinline=is_inlined, **ways_in)
        return cast(_F, make(function))
    finally:
        config.CACHE_DIR = before


def _generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
    array = context.make_array(signature.args[0])(context, builder, arguments[0])
    return builder.bitcast(array.data, cgutils.voidptr_t)


def _pointer_to(context: Any, array: Any) -> Any:
    """Return an array's memory as a pointer, in compiled code."""
    if array.layout != "C":
        raise TypingError(f"the judge takes arrays that lie row by row; this is {array}")
    return types.voidptr(array), _generate


_pointer: Any = intrinsic(_pointer_to)


@inlined
def bare(array: Any) -> Any:
    """Return the same memory as an array that counts no references.

    Numba counts references with a locked instruction wherever an array is handed on; in small
    functions that was a fifth of the time. The caller keeps the array alive. An array that does
    not lie row by row is refused when the caller is compiled: it would be read in the wrong order.
    """
    return carray(_pointer(array), array.shape, array.dtype)
