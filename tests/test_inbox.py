from pathlib import Path

import pytest

from pipeline.exports.inbox import list_exports
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
