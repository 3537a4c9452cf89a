"""Codes of locks and vehicles at rest: sealed with a key that is not in the database.

The key lies in a file that only the service's user may read, or comes from the
environment; a copy of the database alone opens nothing.
"""

import base64
import binascii
import hashlib
import hmac
import os
import secrets
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.padding import PKCS7

from shared.errors import Fault, InvalidInput, Unavailable

FILE = "codes.key"
VARIABLE = "KEYROUND_CODES_KEY"
_KEY_BYTES = 32
_NONCE_BYTES = 12  # what AES-GCM is defined for; NIST SP 800-38D
_BLOCK_BITS = 512  # all short codes are equally long when sealed; own choice


@dataclass(frozen=True, slots=True)
class Vault:
    """Seals texts and opens them (AES-256-GCM).

    Parameters
    ----------
    keys : tuple of bytes
        At least one, 32 bytes each. The first one seals, all of them open: a new key
        is put in front.
    """

    keys: tuple[bytes, ...]

    def __repr__(self) -> str:
        """Show nothing of the keys."""
        return f"Vault({len(self.keys)} keys)"

    def seal(self, text: str, place: str) -> tuple[bytes, str]:
        """Seal a text.

        Parameters
        ----------
        text : str
            What nobody is to read.
        place : str
            Where it is kept: moved elsewhere, it does not open.

        Returns
        -------
        sealed : bytes
            To be stored.
        name : str
            Of the key.
        """
        padder = PKCS7(_BLOCK_BITS).padder()
        padded = padder.update(text.encode()) + padder.finalize()
        nonce = secrets.token_bytes(_NONCE_BYTES)
        key = self.keys[0]
        return nonce + AESGCM(key).encrypt(nonce, padded, place.encode()), _name(key)

    def open(self, sealed: bytes, name: str, place: str) -> str:
        """Open what was sealed.

        Parameters
        ----------
        sealed : bytes
            As stored.
        name : str
            Of the key.
        place : str
            Where it was kept when it was sealed.

        Returns
        -------
        str
            The text.

        Raises
        ------
        Unavailable
            When the key is not here, or the text is not what was sealed there.
        """
        key = next((key for key in self.keys if _name(key) == name), None)
        if key is None:
            raise Unavailable("the key that sealed this is not here")
        nonce, rest = sealed[:_NONCE_BYTES], sealed[_NONCE_BYTES:]
        try:
            padded = AESGCM(key).decrypt(nonce, rest, place.encode())
        except InvalidTag:
            raise Unavailable("what was sealed has been changed or moved") from None
        unpadder = PKCS7(_BLOCK_BITS).unpadder()
        return (unpadder.update(padded) + unpadder.finalize()).decode()


def _name(key: bytes) -> str:
    """Return what a key is called: nothing of it can be told from that."""
    return hmac.new(key, b"name", hashlib.sha256).hexdigest()[:16]


def make_vault() -> Vault:
    """Make a vault with a key of its own, which ends with the process.

    Returns
    -------
    Vault
        For services that are tried out.
    """
    return Vault((secrets.token_bytes(_KEY_BYTES),))


def read_vault(folder: Path, environment: Mapping[str, str] = os.environ) -> Vault:
    """Return the service's vault; its first start makes the file of the key.

    Parameters
    ----------
    folder : Path
        Where the file lies.
    environment : mapping of str to str, optional
        The process's; keys in it (base64, separated by spaces) count instead.

    Returns
    -------
    Vault
        With its keys.

    Raises
    ------
    InvalidInput
        When what is there is no key, or others than the service may read the file.
    """
    given = environment.get(VARIABLE, "")
    if given:
        return _vault_of(given, f"variable {VARIABLE}")
    path = folder / FILE
    try:
        _make_file(path)
    except FileExistsError:
        open_to_others = path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO)
        if os.name == "posix" and open_to_others:
            mode = f"{stat.S_IMODE(path.stat().st_mode):04o}"
            fault = Fault(file=str(path), got=f"mode {mode}", expected="mode 0600")
            raise InvalidInput([fault]) from None
    return _vault_of(path.read_text(encoding="ascii", errors="replace"), str(path))


def _make_file(path: Path) -> None:
    """Write a new key, unless there is a file already."""
    # Written under another name and linked: whoever starts at the same moment sees
    # a whole file or none.
    fresh = path.with_name(f".{FILE}.{secrets.token_hex(8)}")
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(descriptor, "wb") as file:
            key = secrets.token_bytes(_KEY_BYTES)
            file.write(base64.urlsafe_b64encode(key) + b"\n")
            file.flush()
            os.fsync(file.fileno())
        os.link(fresh, path)
    finally:
        fresh.unlink()


def _vault_of(text: str, where: str) -> Vault:
    keys = []
    faults = []
    for number, word in enumerate(text.split(), start=1):
        try:
            key = base64.b64decode(word, altchars=b"-_", validate=True)
        except (binascii.Error, ValueError):
            key = b""
        keys.append(key)
        if len(key) != _KEY_BYTES:
            faults.append(
                Fault(
                    file=where,
                    row=number,
                    got="something else",  # never the word: it may be a key cut short
                    expected="a key: 32 random bytes in base64",
                )
            )
    if not keys:
        faults.append(Fault(file=where, got="nothing", expected="at least one key"))
    if faults:
        raise InvalidInput(faults)
    return Vault(tuple(keys))
