"""A backup is unpacked by hand: plain files come out as they went in, and nothing leaves the folder."""

from __future__ import annotations

import io
import tarfile

import pytest

from orders.keeping.restore import _unpack


def stream(*members: tuple[tarfile.TarInfo, bytes]) -> io.BytesIO:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w|") as tar:
        for info, content in members:
            info.size = len(content)
            tar.addfile(info, io.BytesIO(content))
    out.seek(0)
    return out


def member(name: str, **given: object) -> tarfile.TarInfo:
    info = tarfile.TarInfo(name)
    for key, value in given.items():
        setattr(info, key, value)
    return info


def unpacked(data: io.BytesIO, into) -> None:
    with tarfile.open(fileobj=data, mode="r|") as tar:
        _unpack(tar, into)


def test_files_and_folders_come_out_as_they_went_in(tmp_path):
    folder = member("files", type=tarfile.DIRTYPE)
    unpacked(
        stream((member("manifest.json"), b"{}"), (folder, b""), (member("files/secret-key", mode=0o600), b"s" * 70_000)),
        tmp_path,
    )
    assert (tmp_path / "manifest.json").read_bytes() == b"{}"
    assert (tmp_path / "files/secret-key").read_bytes() == b"s" * 70_000
    assert (tmp_path / "files/secret-key").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    "bad",
    [
        member("../outside"),
        member("/etc/outside"),
        member("files/../../outside"),
        member("link", type=tarfile.SYMTYPE, linkname="/etc/passwd"),
        member("link", type=tarfile.LNKTYPE, linkname="manifest.json"),
        member("device", type=tarfile.CHRTYPE),
        member("queue", type=tarfile.FIFOTYPE),
    ],
    ids=lambda m: f"{m.name} {m.type!r}",
)
def test_what_is_no_plain_file_inside_is_refused(tmp_path, bad):
    into = tmp_path / "into"
    into.mkdir()
    with pytest.raises(tarfile.TarError, match="no plain file"):
        unpacked(stream((bad, b"")), into)
    assert [p.name for p in tmp_path.rglob("*")] == ["into"]


def test_one_that_is_cut_short_is_noticed(tmp_path):
    whole = stream((member("database.dump"), b"d" * 60_000)).getvalue()
    with pytest.raises(tarfile.TarError):
        unpacked(io.BytesIO(whole[:30_000]), tmp_path)
