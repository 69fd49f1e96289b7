"""Random streams keyed by (seed, purpose, tag): one more row leaves all other draws alone."""

from __future__ import annotations

import hashlib

import numpy as np


def stream(seed: int, purpose: str, tag: str) -> np.random.Generator:
    """Return the generator of one stream.

    The key is a hash, so a stream depends on nothing but its three names; the first *k* draws do
    not depend on how many are drawn.
    """
    text = f"{seed}\x1f{purpose}\x1f{tag}".encode()
    key = hashlib.blake2b(text, digest_size=16).digest()
    return np.random.Generator(np.random.Philox(key=int.from_bytes(key, "little")))
