from pathlib import Path

import pytest

from pipeline.exports.inbox import list_exports, unread_folders
from pipeline.exports.readers import UnreadableExport, read_export
from pipeline.settings.profile import load_profile
from tests.conftest import PROJECT


def test_exports_are_listed_by_name_with_their_hash_and_hidden_ones_are_not(tmp_path: Path) -> None:
    """The hash of `abc` is the worked example of FIPS 180-2, appendix B.1."""
    (tmp_path / "below").mkdir()
    (tmp_path / "below" / "b.csv").write_text("abc")
    (tmp_path / "a.csv").write_text("")
    (tmp_path / ".sync").write_text("x")
    listed = list_exports("radar", tmp_path)
    assert [file.file_name for file in listed] == ["a.csv", "below/b.csv"]
    assert listed[1].sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_two_trackers_with_the_same_bytes_have_two_files(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("abc")
    one, other = (list_exports(tracker, tmp_path)[0] for tracker in ("radar", "camera"))
    assert one.sha256 == other.sha256
    assert one.file_id != other.file_id


def test_a_link_out_of_the_inbox_is_reported_and_never_opened(tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "secret.csv").write_text("abc")
    (tmp_path / "inbox" / "link.csv").symlink_to(tmp_path / "secret.csv")
    (file,) = list_exports("radar", tmp_path / "inbox")
    assert file.fault is not None
    # nothing of what lies outside was read: neither its size nor its hash is known
    assert (file.sha256, file.bytes) == ("", 0)


def test_a_file_that_cannot_be_opened_is_listed_with_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "radar_1.csv").write_text("abc")
    real = Path.open

    def refused(self: Path, *args: object, **more: object) -> object:
        if self.name == "radar_1.csv":
            raise PermissionError(13, "Permission denied")
        return real(self, *args, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", refused)
    (file,) = list_exports("radar", tmp_path)
    assert (file.sha256, file.bytes) == ("", 0)
    (tmp_path / "radar_1.csv").unlink()
    with pytest.raises(UnreadableExport):
        read_export(file.path, load_profile(PROJECT / "demo_inputs" / "profiles" / "stadium_radar.toml"))


def test_a_folder_beside_the_inboxes_that_no_tracker_reads_is_reported(tmp_path: Path) -> None:
    for name in (
        "radar/a.csv",
        "yard-camera/2026/a.csv",
        "yard-camera/b.csv",
        "empty/.sync",
        "drops/pen/a.csv",
        "drops/pen_2/a.csv",
        "a.csv",
    ):
        (tmp_path / "inbox" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "inbox" / name).write_text("abc")
    # beside an inbox outside the workspace, other programs keep their files
    elsewhere = tmp_path.parent / f"{tmp_path.name}_share"
    (elsewhere / "mail").mkdir(parents=True)
    (elsewhere / "mail" / "a.txt").write_text("abc")
    inboxes = [tmp_path / "inbox" / "radar", tmp_path / "inbox" / "drops" / "pen", elsewhere / "radar"]
    assert unread_folders(tmp_path, inboxes) == [
        "inbox/yard-camera/ holds 2 files, but no tracker in ledger.toml reads it.",
        "inbox/ holds 1 file outside the trackers' folders. No tracker reads them.",
        "inbox/drops/pen_2/ holds 1 file, but no tracker in ledger.toml reads it.",
    ]
    assert unread_folders(tmp_path, [tmp_path / "inbox"]) == []
    assert unread_folders(tmp_path / "none", []) == []
