"""Faults of the machine: killed, full, read-only, raced, interrupted.  Whole results or none."""

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import laspy
import numpy as np
import pytest

from tests.pipeline.small_tree import SITE, write_tree
from treescan.errors import OutputError, ScanError, TreescanError
from treescan.pipeline.batch import BatchJob, fingerprint
from treescan.pipeline.outputs import save_results
from treescan.pipeline.run import RunOptions, plan_removal, survey_scan
from treescan.pipeline.staging import staged_folder
from treescan.pipeline.unchanged import unchanged
from treescan.processes import two_cores
from treescan.site.model import Site
from treescan_cli.main import main

FILES = 12
WRITER = f"""
import sys
from pathlib import Path
from treescan.errors import OutputError
from treescan.pipeline.staging import staged_folder
out, tag, rounds = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
for number in range(rounds):
    try:
        with staged_folder(out, overwrite=True) as folder:
            (folder / "tree.json").write_text(f"{{tag}} {{number}}")
            for file in range({FILES}):
                (folder / f"{{file}}.txt").write_text(f"{{tag}} {{number}}" * 500)
    except OutputError as error:
        print(error, flush=True)
"""
posix = pytest.mark.skipif(os.name == "nt", reason="signals are POSIX")


def writer(out, tag, rounds=10**6):
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(out), tag, str(rounds)],
        stdout=subprocess.PIPE,
        text=True,
    )


def whole(out):
    """All files there, all of one round of one writer."""
    mark = (out / "tree.json").read_text()
    assert len(list(out.iterdir())) == FILES + 1
    for number in range(FILES):
        assert (out / f"{number}.txt").read_text() == mark * 500
    return mark


def killed_at_random(folder, times):
    out = folder / "out"
    with staged_folder(out) as first:
        (first / "tree.json").write_text("old 0")
        for number in range(FILES):
            (first / f"{number}.txt").write_text("old 0" * 500)
    rng = random.Random(times)
    marks = set()
    for round_ in range(times):
        with writer(out, f"run{round_}") as process:
            process.stdout.readline()
            time.sleep(rng.uniform(0.0, 0.1))
            process.kill()
        marks.add(whole(out).split()[0])
    with staged_folder(folder / "other") as last:
        (last / "tree.json").write_text("x")
    assert {p.name for p in folder.iterdir()} == {"out", "other"}
    return marks


@posix
def test_killed_while_replacing_results_leaves_whole_ones(tmp_path):
    assert len(killed_at_random(tmp_path, 8)) > 1


@posix
@pytest.mark.slow
def test_killed_a_hundred_times_while_replacing_results(tmp_path):
    assert len(killed_at_random(tmp_path, 100)) > 20


@posix
@pytest.mark.slow
def test_the_plan_killed_at_random_moments_leaves_nothing_or_all(tmp_path):
    """TREESCAN_KILLS says how often."""
    scan = write_tree(tmp_path / "tree.json")
    (tmp_path / "site.toml").write_text(SITE)
    command = [sys.executable, "-m", "treescan_cli", "plan", str(scan), "--quiet"]
    command += ["--site", str(tmp_path / "site.toml"), "--out"]
    out = tmp_path / "whole"
    start = time.monotonic()
    subprocess.run([*command, str(out)], check=True)
    lasts = time.monotonic() - start
    expected = sorted(p.name for p in out.rglob("*"))
    rng = random.Random(7)
    finished, times = 0, int(os.environ.get("TREESCAN_KILLS", "12"))
    for number in range(times):
        out = tmp_path / f"out{number}"
        start = time.monotonic()
        run = subprocess.Popen([*command, str(out)], start_new_session=True)
        try:
            run.wait(rng.uniform(0.1, 1.1) * lasts)
        except subprocess.TimeoutExpired:
            run.kill()
        else:  # a machine that is less busy now
            lasts = min(lasts, time.monotonic() - start)
        run.wait()
        until_gone(run.pid)
        if out.exists():
            finished += 1
            assert sorted(p.name for p in out.rglob("*")) == expected
    print(f"{finished} of {times} had finished before the kill")
    assert times - finished > 0
    with staged_folder(tmp_path / "last") as last:
        (last / "tree.json").write_text("x")
    assert not list(tmp_path.glob(".treescan*"))


def until_gone(group):
    """Wait until no process of a group is left; a run that is killed takes its second one along."""
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        time.sleep(0.05)
    raise AssertionError("a process of the killed run goes on")


@posix
def test_two_runs_to_one_folder_give_one_whole_result(tmp_path):
    out = tmp_path / "out"
    with writer(out, "a", 60) as a, writer(out, "b", 60) as b:
        said = a.communicate()[0] + b.communicate()[0]
    assert whole(out).split()[0] in ("a", "b")
    refusals = set(said.split("\n")) - {"ready", ""}
    assert all("another run" in line for line in refusals)
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_the_second_run_without_overwrite_is_told(tmp_path):
    with (
        pytest.raises(OutputError, match="already holds results"),
        staged_folder(tmp_path / "out") as slow,
    ):
        (slow / "tree.json").write_text("slow")
        with staged_folder(tmp_path / "out") as quick:
            (quick / "tree.json").write_text("quick")
    assert (tmp_path / "out" / "tree.json").read_text() == "quick"


@pytest.fixture
def mounted(tmp_path):
    """A function that mounts a small file system at a new place, for root only."""
    places = []

    def mount(options):
        place = tmp_path / f"mount{len(places)}"
        place.mkdir()
        command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
        if (
            shutil.which("mount") is None
            or subprocess.run(command, capture_output=True, check=False).returncode
        ):
            pytest.skip("mounting a small file system needs root")
        places.append(place)
        return place

    yield mount
    for place in places:
        subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_is_one_line_and_leaves_nothing(mounted, tmp_path, capsys):
    place = mounted("size=256k")
    scan = write_tree(tmp_path / "tree.json")
    status = main(["measure", str(scan), "--out", str(place / "out"), "--quiet"])
    message = capsys.readouterr().err
    assert status == 2
    assert "No space left" in message or "disk full" in message
    assert message.count("\n") == 1
    assert list(place.iterdir()) == []


def test_a_full_disk_keeps_the_earlier_results(mounted, tmp_path, capsys):
    place = mounted("size=256k")
    (place / "out").mkdir()
    (place / "out" / "tree.json").write_text("earlier")
    scan = write_tree(tmp_path / "tree.json")
    arguments = ["measure", str(scan), "--out", str(place / "out"), "--quiet", "--overwrite"]
    assert main(arguments) == 2
    assert (place / "out" / "tree.json").read_text() == "earlier"
    assert [p.name for p in place.iterdir()] == ["out"]
    assert capsys.readouterr().err.count("\n") == 1


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """A real result with a plan."""
    folder = tmp_path_factory.mktemp("planned")
    (folder / "site.toml").write_text(SITE)
    return plan_removal([write_tree(folder / "tree.json")], folder / "site.toml")


@posix
@pytest.mark.parametrize("most_bytes", [500, 20_000, 60_000, 400_000])
def test_a_file_that_may_not_grow_leaves_nothing(most_bytes, planned, tmp_path):
    """The disk refuses in the middle of a file: in this process, and in the one beside it."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, before[1]))
        with pytest.raises(OutputError) as refusal:
            save_results(planned, tmp_path / "out")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert "\n" not in str(refusal.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not two_cores(), reason="needs Linux and two cores")
def test_a_killed_run_takes_its_second_process_with_it(tmp_path):
    code = (
        "import os, time\n"
        "from treescan.processes import at_once\n"
        "def there():\n    print(os.getpid(), flush=True)\n    time.sleep(60)\n"
        "at_once(lambda: time.sleep(60), there)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True
    ) as process:
        second = int(process.stdout.readline())
        process.kill()
        process.wait()
        deadline = time.monotonic() + 30
        while running(second) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert not running(second)


def running(pid):
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    return False


def test_a_read_only_place_is_refused_before_the_work(mounted, capsys):
    place = mounted("ro")
    status = main(["plan", __file__, "--out", str(place / "a" / "out"), "--quiet"])
    message = capsys.readouterr().err
    assert status == 2
    assert "read-only" in message
    assert message.count("\n") == 1


@pytest.mark.skipif(
    os.name == "nt" or os.geteuid() == 0, reason="root writes into any folder; see the mounted one"
)
def test_a_folder_without_rights_is_refused_before_the_work(tmp_path, capsys):
    (tmp_path / "locked").mkdir(mode=0o555)
    status = main(["plan", __file__, "--out", str(tmp_path / "locked" / "out"), "--quiet"])
    assert status == 2
    assert "read-only" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["x" * 300, "木" * 100, "a/" * 3000 + "b"], ids=len)
def test_names_too_long_are_one_line(name, tmp_path, capsys):
    scan = write_tree(tmp_path / "tree.json")
    for arguments in (
        ["measure", str(scan), "--out", str(tmp_path / name)],
        ["measure", str(tmp_path / name), "--out", str(tmp_path / "out")],
        ["plan", str(scan), "--site", str(tmp_path / name), "--out", str(tmp_path / "out")],
        ["batch", str(tmp_path / name), "--out", str(tmp_path / "out")],
        ["haul", str(tmp_path / name)],
    ):
        status = main([*arguments, "--quiet"])
        message = capsys.readouterr().err
        assert status == 2, message
        assert message.count("\n") == 1
    assert [p.name for p in tmp_path.iterdir()] == ["tree.json"]


def write_las(path, seed):
    las = laspy.LasData(laspy.LasHeader(point_format=3, version="1.2"))
    las.header.scales = [0.001] * 3
    las.x, las.y, las.z = np.random.default_rng(seed).uniform(0.0, 8.0, (3, 5000))
    las.write(path)
    return path


def test_a_scan_replaced_while_it_is_read_is_refused(tmp_path):
    scan = write_las(tmp_path / "scan.las", 1)

    def report(stage, share):
        if stage == "Reading the scan" and share > 0:
            write_las(tmp_path / "new.las", 2).replace(scan)

    with pytest.raises(ScanError, match="while it was being read"):
        survey_scan([scan], Site(), RunOptions(), report)


def test_a_scan_cut_short_while_it_is_read_is_named_as_that(tmp_path):
    scan = tmp_path / "scan.las"
    scan.write_bytes(b"x" * 100)
    with pytest.raises(ScanError, match="while it was being read"), unchanged([scan]):
        scan.write_bytes(b"x")
        raise TreescanError("truncated")
    with pytest.raises(ScanError, match="while it was being read"), unchanged([scan]):
        scan.unlink()


def test_clocks_may_stand_anywhere(tmp_path):
    scan = write_tree(tmp_path / "tree.json")
    job = BatchJob("a", str(scan), "", str(tmp_path))
    marks = set()
    for moment in (0, 4_102_444_800, 1):  # 1970, 2100, and back
        os.utime(scan, (moment, moment))
        marks.add(fingerprint(job))
        assert survey_scan([scan], Site(), RunOptions()).measures.height_m > 8
    assert len(marks) == 3


@posix
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_stopped_run_says_so_and_leaves_nothing(number, tmp_path):
    code = (
        "import sys, time, treescan_cli.plan as verb\n"
        "from pathlib import Path\n"
        "from treescan.pipeline.staging import staged_folder\n"
        "from treescan_cli.main import main\n"
        "def run(args):\n"
        "    with staged_folder(args.out) as folder:\n"
        "        (folder / 'tree.json').write_text('x')\n"
        "        print('writing', flush=True)\n"
        "        time.sleep(60)\n"
        "verb.run = run\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    command = [sys.executable, "-c", code, "plan", "x.las", "--out", str(tmp_path / "out")]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(number, signal.SIG_DFL),  # a suite under nohup ignores it
    ) as run:
        assert run.stdout.readline() == "writing\n"
        assert len(list(tmp_path.iterdir())) == 1
        run.send_signal(number)
        message = run.stderr.read()
    assert run.returncode == 130
    assert message == "treescan: stopped; no half result was left.\n"
    assert list(tmp_path.iterdir()) == []


@posix
@pytest.mark.slow
def test_the_real_command_stopped_at_random_leaves_nothing(tmp_path):
    scan = write_tree(tmp_path / "tree.json")
    rng = random.Random(3)
    seen = []
    for number in range(8):
        out = tmp_path / f"out{number}"
        run = subprocess.Popen(
            [sys.executable, "-m", "treescan_cli", "measure", scan, "--out", out, "--quiet"],
            stderr=subprocess.PIPE,
            text=True,
        )
        time.sleep(rng.uniform(0.5, 6.0))
        run.send_signal(signal.SIGTERM)
        message = run.communicate()[1]
        seen.append(run.returncode)
        # Python itself ends by SIGINT (130 in a shell) when the stop passed through an exec()
        assert run.returncode in (0, 130, -signal.SIGINT, -signal.SIGTERM), message
        assert "Traceback" not in message
        assert out.exists() or run.returncode != 0
    print("exit statuses:", seen)
    assert not list(tmp_path.glob(".treescan*"))
    assert Path(scan).exists()
