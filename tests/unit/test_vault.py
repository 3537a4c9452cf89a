"""Sealed texts, and the file of the key that seals them."""

import base64
import os
import stat
from pathlib import Path

import pytest

from api.vault import Vault, make_vault, read_vault
from shared.errors import InvalidInput, Unavailable

OLD, NEW = b"o" * 32, b"n" * 32


def test_what_is_sealed_opens_again_and_is_never_sealed_alike() -> None:
    vault = make_vault()
    first, name = vault.seal("4711", "here")
    second, _ = vault.seal("4711", "here")
    assert first != second
    assert vault.open(first, name, "here") == vault.open(second, name, "here") == "4711"


def test_a_short_code_and_a_longer_one_are_equally_long_when_sealed() -> None:
    vault = make_vault()
    # nonce 12, one block of 64, tag 16
    assert {len(vault.seal("1" * n, "")[0]) for n in (1, 4, 63)} == {92}


def test_what_is_sealed_opens_only_where_it_was_sealed_and_unchanged() -> None:
    vault = make_vault()
    sealed, name = vault.seal("4711", "here")
    changed = sealed[:-1] + bytes([sealed[-1] ^ 1])
    for text, place in ((sealed, "there"), (changed, "here")):
        with pytest.raises(Unavailable):
            vault.open(text, name, place)


def test_a_new_key_in_front_seals_and_the_old_one_still_opens() -> None:
    sealed, name = Vault((OLD,)).seal("4711", "here")
    both = Vault((NEW, OLD))
    assert both.open(sealed, name, "here") == "4711"
    assert both.seal("4711", "here")[1] != name
    with pytest.raises(Unavailable):
        Vault((NEW,)).open(sealed, name, "here")


def test_a_vault_shows_nothing_of_its_keys() -> None:
    assert repr(Vault((OLD,))) == "Vault(1 keys)"


def test_the_first_start_makes_a_key_that_only_its_user_may_read(
    tmp_path: Path,
) -> None:
    sealed, name = read_vault(tmp_path, {}).seal("4711", "here")
    [file] = tmp_path.iterdir()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert read_vault(tmp_path, {}).open(sealed, name, "here") == "4711"


@pytest.mark.skipif(os.name != "posix", reason="modes of files")
def test_a_key_that_others_may_read_is_refused(tmp_path: Path) -> None:
    read_vault(tmp_path, {})
    (tmp_path / "codes.key").chmod(0o640)
    with pytest.raises(InvalidInput, match="mode 0640; expected mode 0600"):
        read_vault(tmp_path, {})


def test_keys_in_the_environment_count_instead_of_the_file(tmp_path: Path) -> None:
    words = " ".join(base64.urlsafe_b64encode(key).decode() for key in (NEW, OLD))
    assert read_vault(tmp_path, {"KEYROUND_CODES_KEY": words}) == Vault((NEW, OLD))
    assert list(tmp_path.iterdir()) == []


def test_what_is_no_key_is_refused_without_being_repeated(tmp_path: Path) -> None:
    short = base64.b64encode(b"short" * 5).decode()
    with pytest.raises(InvalidInput) as caught:
        read_vault(tmp_path, {"KEYROUND_CODES_KEY": f"{short} not-base64!"})
    assert [fault.row for fault in caught.value.faults] == [1, 2]
    assert short not in str(caught.value)
