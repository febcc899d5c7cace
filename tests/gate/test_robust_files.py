"""Files under hostile circumstances: clear errors, exit code 2, no input lost, nothing half-done.

A housing and a bonnet, boxes 295 mm apart, of which the gap is asked: exit code 0 if all is well.
"""

import errno
import json
import os
import struct
import sys
import threading
import time
from pathlib import Path

import pytest
import trimesh

from geomcheck import cli, files
from geomcheck.errors import InputError, visible
from geomcheck.mesh import sniff
from geomcheck.reports.files import refuse_clashes, write_text

PROJECT = """\
format = 1
name = "boxes"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "{bonnet}"
class = "body panel"

[check.fit-gap.required]
"body panel" = 10
"""
posix = pytest.mark.skipif(os.name != "posix", reason="needs POSIX files")


def box(path, z=0.0):
    trimesh.creation.box((20, 20, 10)).apply_translation((0, 0, z)).export(path)
    return path


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("GEOMCHECK_CACHE", "off")
    project(tmp_path)
    return tmp_path


def project(folder, bonnet="bonnet.stl", name="project.toml"):
    folder.mkdir(parents=True, exist_ok=True)
    box(folder / "housing.stl")
    (folder / name).write_text(PROJECT.format(bonnet=bonnet), encoding="utf-8")
    if not (folder / bonnet).exists() and not (folder / bonnet).is_symlink():
        box(folder / bonnet, 305.0)
    return folder / name


def run(capsys, *arguments):
    """Exit code, standard output and standard error of a command, in this process."""
    old = sys.argv
    sys.argv = ["geomcheck", *map(str, arguments)]
    try:
        with pytest.raises(SystemExit) as end:
            cli.main()
    finally:
        sys.argv = old
    out = capsys.readouterr()
    assert "Traceback" not in out.out + out.err
    assert "internal fault" not in out.err
    return end.value.code, out.out, out.err


def refused(capsys, *arguments):
    code, _, err = run(capsys, *arguments)
    assert code == 2
    assert len(err.strip().splitlines()) == 1
    return err


def contents(folder):
    return {f: f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}


def test_all_is_well_without_circumstances(folder, capsys):
    code, out, _ = run(
        capsys, "check", folder / "project.toml", "--json", folder / "new" / "o.json"
    )
    assert code == 0, out
    assert json.loads((folder / "new" / "o.json").read_text("utf-8"))["exit_code"] == 0
    assert [f.name for f in (folder / "new").iterdir()] == ["o.json"]


# -- outputs that would take something's place ----------------------------------------------------


@pytest.mark.parametrize("target", ["bonnet.stl", "housing.stl", "project.toml", "other.stl"])
@pytest.mark.parametrize("option", ["--html", "--json", "--sarif"])
def test_an_input_is_never_overwritten(folder, capsys, option, target):
    box(folder / "other.stl")
    before = contents(folder)
    err = refused(capsys, "check", folder / "project.toml", option, folder / target)
    assert target in err
    assert "overwritten" in err or "under the name of a .stl file" in err
    assert contents(folder) == before


@posix
def test_an_input_behind_links_is_never_overwritten(folder, capsys):
    (folder / "in").symlink_to(folder / "bonnet.stl")
    (folder / "report.html").symlink_to(folder / "in")
    before = contents(folder)
    err = refused(capsys, "check", folder / "project.toml", "--html", folder / "." / "report.html")
    assert "this is an input" in err
    assert contents(folder) == before
    assert (folder / "report.html").is_symlink()


def test_the_baseline_is_an_input(folder, capsys):
    with (folder / "project.toml").open("a", encoding="utf-8") as stream:
        stream.write('[baseline]\nfile = "b.json"\nchecks = ["fit-gap"]\n')
    (folder / "b.json").write_text("{}", encoding="utf-8")
    assert "this is an input" in refused(
        capsys, "check", folder / "project.toml", "--json", folder / "b.json"
    )


def test_two_reports_want_two_files(folder, capsys):
    for twin in ("o", "./o", "x/../o"):
        err = refused(
            capsys, "check", folder / "project.toml",
            "--junit", folder / "o", "--html", f"{folder}/{twin}",
        )  # fmt: skip
        assert "two reports" in err
    assert not (folder / "o").exists()


def test_compare_guards_its_inputs(folder, capsys):
    code, _, _ = run(capsys, "check", folder / "project.toml", "--json", folder / "a.json")
    assert code == 0
    before = contents(folder)
    for target in ("a.json", "bonnet.stl", "project.toml"):
        refused(
            capsys, "compare", folder / "a.json", folder / "project.toml", "--json", folder / target
        )
    assert contents(folder) == before


@pytest.mark.parametrize("target", ["project.toml", "bonnet.stl"])
def test_prove_and_verify_guard_their_inputs(folder, capsys, target):
    code, _, _ = run(capsys, "check", folder / "project.toml", "--json", folder / "a.json")
    assert code == 0
    before = contents(folder)
    project = folder / "project.toml"
    for words in (
        ("prove", project, "--most", "1", "--json"),
        ("verify", folder / "a.json", "--project", project, "--json"),
    ):
        assert "this is an input" in refused(capsys, *words, folder / target)
    assert contents(folder) == before


def test_a_project_is_not_written_under_a_meshs_name(folder, capsys):
    before = contents(folder)
    err = refused(capsys, "new", folder, "-o", folder / "bonnet.stl", "--force")
    assert "end its name in .toml" in err
    assert contents(folder) == before


# -- outputs that cannot be written ---------------------------------------------------------------


def test_a_folder_or_a_file_in_the_way(folder, capsys):
    (folder / "file").write_text("", encoding="utf-8")
    for target in (folder, folder / "file" / "o.html"):
        err = refused(capsys, "check", folder / "project.toml", "--html", target)
        assert "cannot be written" in err
        assert "choose another place" in err


@posix
def test_a_full_disk_leaves_the_old_report(folder):
    """A limit on the size of files stands for the full disk: writing fails in the middle."""
    resource = pytest.importorskip("resource")
    target = folder / "o.json"
    write_text(target, "old")
    before = contents(folder)
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, old[1]))
    try:
        with pytest.raises(InputError, match="cannot be written"):
            write_text(target, "x" * 5000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
    assert contents(folder) == before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_device_is_told_and_stays_a_device(folder, capsys):
    err = refused(capsys, "check", folder / "project.toml", "--json", "/dev/full")
    assert "No space left" in err
    assert not Path("/dev/full").is_file()


@posix
def test_a_device_takes_reports_and_stays_a_device(folder, capsys):
    code, _, _ = run(
        capsys, "check", folder / "project.toml", "--json", "/dev/null", "--junit", "/dev/null"
    )
    assert code == 0
    assert not Path("/dev/null").is_file()


@posix
def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "o.html").symlink_to(tmp_path / "real" / "o.html")
    write_text(tmp_path / "o.html", "text")
    assert (tmp_path / "o.html").is_symlink()
    assert (tmp_path / "real" / "o.html").read_text("utf-8") == "text"


@posix
def test_a_folder_that_may_not_be_written_to(tmp_path, monkeypatch):
    """Root may write anywhere, so the system's answer is put in its mouth."""

    def deny(**_):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr("geomcheck.reports.files.tempfile.mkstemp", deny)
    with pytest.raises(InputError, match="Permission denied"):
        write_text(tmp_path / "o.html", "text")
    assert list(tmp_path.iterdir()) == []


def test_a_name_as_long_as_a_name_may_be(tmp_path):
    name = "n" * 250 + ".json"
    write_text(tmp_path / name, "text")
    assert [f.name for f in tmp_path.iterdir()] == [name]
    with pytest.raises(InputError, match="cannot be written"):
        write_text(tmp_path / ("n" * 300), "text")


def test_streams_may_take_several_reports():
    refuse_clashes([Path("/dev/stdout"), Path("/dev/stdout")], [])


# -- meshes and projects that are no plain files --------------------------------------------------


@posix
def test_a_pipe_is_not_waited_for(folder, capsys):
    (folder / "bonnet.stl").unlink()
    os.mkfifo(folder / "bonnet.stl")
    err = refused(capsys, "check", folder / "project.toml")
    assert "pipe or a device" in err
    assert "line 14" in err
    for arguments in (
        ("look", folder / "bonnet.stl"),
        ("check", folder / "bonnet.stl"),
        ("compare", folder / "p.json", folder / "p.json"),
    ):
        if not (folder / "p.json").exists():
            os.mkfifo(folder / "p.json")
        assert "pipe or a device" in refused(capsys, *arguments)


@posix
def test_a_device_without_end_is_not_read(folder, capsys):
    (folder / "z.stl").symlink_to("/dev/zero")
    assert "pipe or a device" in refused(capsys, "look", folder / "z.stl")
    assert "pipe or a device" in refused(capsys, "check", "/dev/zero")


def test_a_folder_as_mesh_and_as_project(folder, capsys):
    (folder / "bonnet.stl").unlink()
    (folder / "bonnet.stl").mkdir()
    assert "this is a folder" in refused(capsys, "check", folder / "project.toml")
    assert "this is a folder" in refused(capsys, "check", folder)


@posix
def test_links_are_followed_and_loops_told(folder, capsys):
    (folder / "far").mkdir()
    (folder / "bonnet.stl").rename(folder / "far" / "b.stl")
    (folder / "bonnet.stl").symlink_to("far/b.stl")
    assert run(capsys, "check", folder / "project.toml")[0] == 0
    (folder / "far" / "b.stl").unlink()
    assert "no such file" in refused(capsys, "check", folder / "project.toml")
    (folder / "bonnet.stl").unlink()
    (folder / "bonnet.stl").symlink_to("bonnet.stl")
    assert "symbolic links" in refused(capsys, "check", folder / "project.toml")
    (folder / "p.toml").symlink_to("p.toml")
    assert "symbolic links" in refused(capsys, "check", folder / "p.toml")


@posix
@pytest.mark.parametrize("count", [0, (5 * 10**9 - 84) // 50 - 1])
def test_a_file_of_5_gb_is_refused_by_arithmetic(folder, capsys, monkeypatch, count):
    """A file with a hole takes no room; reading it would take memory, and is forbidden here."""
    with (folder / "bonnet.stl").open("wb") as stream:
        stream.write(b"\0" * 80 + struct.pack("<I", count))
        stream.truncate(5 * 10**9)
    monkeypatch.setattr(sniff, "read_plain", lambda _: pytest.fail("it was read"))
    began = time.process_time()
    err = refused(capsys, "look", folder / "bonnet.stl")
    assert f"states {count} triangles" in err
    assert time.process_time() - began < 5.0


@posix
@pytest.mark.parametrize("name", ["a.stl", "a.obj", "a.ply", "a.3mf"])
def test_a_file_of_5_gb_that_fits_its_header_is_too_large(tmp_path, capsys, name):
    with (tmp_path / name).open("wb") as stream:
        stream.write(b"\0" * 80 + struct.pack("<I", 99_999_998))
        stream.truncate(84 + 50 * 99_999_998)
    assert "too large (5.0 GB" in refused(capsys, "look", tmp_path / name)


def test_a_file_that_changes_while_it_is_read(tmp_path, monkeypatch):
    file = tmp_path / "a.stl"
    file.write_bytes(b"x" * 100)
    opened = files.open_plain

    class Slow:
        def __init__(self, stream):
            self.stream = stream

        def __enter__(self):
            return self

        def __exit__(self, *_):
            self.stream.close()

        def fileno(self):
            return self.stream.fileno()

        def read(self):
            content = self.stream.read()
            with file.open("ab") as more:
                more.write(b"y")
            return content

    monkeypatch.setattr(files, "open_plain", lambda path: Slow(opened(path)))
    with pytest.raises(OSError, match="changed while it was read"):
        files.read_plain(file)


# -- names ----------------------------------------------------------------------------------------

NAMES = ["a b.toml", "größe 数 🔧.toml", "hard\u00a0blank.toml", "'quotes\".toml", "-dash.toml"]


@pytest.mark.parametrize("name", NAMES)
def test_odd_names(folder, capsys, monkeypatch, name):
    inner = folder / "mäßig voll"
    project(inner, bonnet="bön net.stl", name=name)
    monkeypatch.chdir(folder)
    out = inner / f"{name}.json"
    code, said, err = run(
        capsys, "check", f"mäßig voll/{name}", "--json", out, "--junit", f"{out}.xml",
        "--html", f"{out}.html", "--no-pictures", "--sarif", f"{out}.sarif",
    )  # fmt: skip
    assert code == 0, said + err
    assert json.loads(out.read_text("utf-8"))["file"] == name
    (inner / "bön net.stl").unlink()
    err = refused(capsys, "check", f"mäßig voll/{name}")
    assert "bön net.stl" in err
    assert name in err


@posix
def test_a_name_of_two_lines_is_told_on_one(folder, capsys):
    inner = folder / "two\nlines\x1b[31m"
    project(inner)
    code, out, _ = run(capsys, "check", inner / "project.toml", "--json", inner / "o.json")
    assert code == 0, out
    (inner / "bonnet.stl").unlink()
    err = refused(capsys, "check", inner / "project.toml")
    assert "two\\nlines\\x1b[31m" in err


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_a_name_that_is_no_text(folder, capsys):
    file = folder / os.fsdecode(b"p\xff.toml")
    (folder / "project.toml").rename(file)
    for name in ("o.json", "o.html", "o.xml", "o.md", "o.sarif"):
        option = {"o.xml": "--junit", "o.md": "--markdown"}.get(name, f"--{name[2:]}")
        code, _, err = run(capsys, "check", file, option, folder / name, "--no-pictures")
        assert code == 0, err
        (folder / name).read_bytes().decode("utf-8")
    assert json.loads((folder / "o.json").read_text("utf-8"))["file"] == "p\udcff.toml"
    (folder / "bonnet.stl").unlink()
    assert "p\\udcff.toml" in refused(capsys, "check", file)


def test_names_in_the_project_are_one_line(folder, capsys):
    text = (folder / "project.toml").read_text("utf-8")
    (folder / "project.toml").write_text(
        text.replace('"hatch"', r'"ha\ntch \u001b[2J"'), encoding="utf-8"
    )
    err = refused(capsys, "check", folder / "project.toml")
    assert "one line" in err
    assert "line 11" in err


def test_relative_paths_are_from_the_project_file(folder, capsys, monkeypatch):
    elsewhere = folder / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    assert run(capsys, "check", "../project.toml", "--json", "o.json")[0] == 0
    assert (elsewhere / "o.json").exists()


@pytest.mark.parametrize("text", ["plain", "größe", "hard\u00a0blank", "数"])
def test_what_can_be_seen_is_left_as_it_is(text):
    assert visible(text) == text


def test_a_project_nested_without_end(folder, capsys):
    (folder / "project.toml").write_text("a = " + "[" * 100_000, encoding="utf-8")
    assert "deep" in refused(capsys, "check", folder / "project.toml")


def test_reading_in_a_thread_is_the_same(folder):
    """Signals are the main thread's; a command may still be run from another."""
    ends = []

    def work():
        from geomcheck.cli.ending import prepare

        prepare()
        ends.append(True)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert ends == [True]
