"""The folder of backups: nothing is read that is not exactly what was written, and nothing is half there."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from hypothesis import given
from hypothesis import strategies as st

from portal.actions.keeping.store import Damaged, NoBackup, Store

KEY = "seven buckets of soft water"
NOW = datetime(2026, 6, 15, 18, 0, tzinfo=UTC)


def piece(store: Store) -> Path:
    (path,) = (store.folder / "pieces").glob("*/*")
    return path


def test_the_cipher_is_the_published_one() -> None:
    """Test case 16 of McGrew and Viega, "The Galois/Counter Mode of Operation", 2005: AES-256 with 96-bit nonce."""
    cipher = AESGCM(bytes.fromhex("feffe9928665731c6d6a8f9467308308" * 2))
    plain = bytes.fromhex(
        "d9313225f88406e5a55909c5aff5269a86a7a9531534f7da2e4c303d8a318a72"
        "1c3c0c95956809532fcf0e2449a6b525b16aedf5aa0de657ba637b39"
    )
    sealed = cipher.encrypt(
        bytes.fromhex("cafebabefacedbaddecaf888"), plain, bytes.fromhex("feedfacedeadbeeffeedfacedeadbeefabaddad2")
    )
    assert sealed[-16:].hex() == "76fc6ece0f4e1768cddf8853bb2d551b"


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> list[Store]:
    return [Store(tmp_path_factory.mktemp("backups"), key) for key in ("", KEY)]


@given(data=st.binary(max_size=2000))
def test_what_is_put_comes_back(stores: list[Store], data: bytes) -> None:
    plain, encrypted = stores
    assert plain.put(data) == hashlib.sha256(data).hexdigest()  # of a backup without a key anybody can check a file
    assert plain.get(plain.put(data)) == encrypted.get(encrypted.put(data)) == data


def test_the_same_is_written_once_and_with_a_key_nothing_of_it_can_be_seen(tmp_path: Path) -> None:
    store = Store(tmp_path, KEY)
    data = b"12 Invented Road, gate code 4711 " * 40
    name = store.put(data)
    cost = store.written
    assert store.put(data) == name
    assert store.written == cost
    assert hashlib.sha256(data).hexdigest() not in name
    assert b"4711" not in piece(store).read_bytes()
    assert Store(tmp_path, KEY).get(name) == data


@pytest.mark.parametrize("key", ["", KEY])
@pytest.mark.parametrize("harm", ["a bit turned", "cut short", "emptied", "gone", "another piece in its place"])
def test_whatever_happens_to_a_piece_is_found(tmp_path: Path, key: str, harm: str) -> None:
    store = Store(tmp_path, key)
    name = store.put(b"production of a roof " * 50)
    path = piece(store)
    content = bytearray(path.read_bytes())
    if harm == "a bit turned":
        content[len(content) // 2] ^= 1
        path.write_bytes(content)
    elif harm == "cut short":
        path.write_bytes(content[:-5])
    elif harm == "emptied":
        path.write_bytes(b"")
    elif harm == "gone":
        path.unlink()
    else:
        other = store.put(b"of another roof")
        path.write_bytes((tmp_path / "pieces" / other[:2] / other).read_bytes())
    with pytest.raises(Damaged):
        store.get(name)


def test_a_folder_is_opened_by_its_key_alone(tmp_path: Path) -> None:
    Store(tmp_path / "encrypted", KEY)
    Store(tmp_path / "plain", "")
    for folder, key, said in [
        ("encrypted", "", "set PORTAL_BACKUP_KEY"),
        ("encrypted", KEY + "!", "another key"),
        ("plain", KEY, "without encryption"),
        ("new", "short", "at least 20 characters"),
    ]:
        with pytest.raises(NoBackup, match=said):
            Store(tmp_path / folder, key)


def test_a_folder_with_something_else_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "holiday.jpg").write_bytes(b"sea")
    with pytest.raises(NoBackup, match="an empty folder"):
        Store(tmp_path, KEY)
    assert [path.name for path in tmp_path.iterdir()] == ["holiday.jpg"]


def test_old_backups_go_with_what_only_they_hold(tmp_path: Path) -> None:
    store = Store(tmp_path, KEY)
    both, first, second = (store.put(data) for data in (b"both", b"first", b"second"))
    for day, pieces in [(0, [both, first]), (20, [both, second])]:
        store.put_set(NOW + timedelta(days=day), {"tables": [], "files": [{"pieces": pieces}]})
    (tmp_path / "incoming" / "left-by-a-kill").write_bytes(b"half")
    assert store.forget(before=NOW + timedelta(days=10)) == 1
    assert [store.get(name) for name in (both, second)] == [b"both", b"second"]
    with pytest.raises(Damaged):
        store.get(first)
    assert not list((tmp_path / "incoming").iterdir())
    assert store.forget(before=NOW + timedelta(days=100)) == 0  # the newest stays, however old


def test_one_backup_at_a_time(tmp_path: Path) -> None:
    with Store(tmp_path, "").held(), pytest.raises(NoBackup, match="Another backup"), Store(tmp_path, "").held():
        pass
