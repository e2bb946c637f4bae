"""Doors and limits: nothing raw is written over, nothing opens by accident, every slip of an option is a sentence."""

import hashlib
import http.client
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dashboard.launch import HOST, command, environment, free_port, serve
from pipeline import cli, log, options
from pipeline.intake import structure
from pipeline.intake.files import find_files, read_round
from pipeline.problems import Problem
from tests.commands import run_command
from tests.small_folder import write_folder

CLI = [sys.executable, "-m", "pipeline.cli"]
ROOT = Path(__file__).parents[1]


@pytest.fixture
def logs(tmp_path: Path) -> Path:
    folder = tmp_path / "logs"
    write_folder(folder, 3)
    return folder


def raw(folder: Path) -> dict[str, str]:
    files = [p for p in folder.rglob("*") if p.is_file() and ".tankround" not in p.parts]
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.mark.parametrize(
    "words",
    [
        ("export", "LOGS", "--out", "LOGS"),
        ("export", "LOGS", "--out", "LOGS/visits"),
        ("sheets", "LOGS", "--out", "LOGS/services"),
        ("calendar", "LOGS", "--out", "LOGS/../logs"),
        ("review", "LOGS", "--pdf", "LOGS/tap.csv"),
        ("report", "LOGS", "--site", "S1", "--from", "2026-05-01", "--to", "2026-05-31", "--out", "LOGS/issued"),
    ],
)
def test_raw_files_are_never_written_over(logs: Path, words: tuple[str, ...]) -> None:
    before = raw(logs)
    code, _, said = run_command(*(word.replace("LOGS", str(logs)) for word in words))
    assert code == 1
    assert "among the log files" in said
    assert raw(logs) == before


def test_a_folder_of_its_own_inside_the_logs_may_be_written_to(logs: Path) -> None:
    options.among_logs(logs, logs / "papers", is_folder=True)
    options.among_logs(logs, logs / "papers" / "week.pdf", is_folder=False)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("load", ""), "blank"),
        (("new", " "), "blank"),
        (("assumptions", ""), "blank"),
        (("will-it-do", "LOGS", "--model", "M", "--net-l", "inf"), "above 0"),
        (("will-it-do", "LOGS", "--model", "M", "--net-l", "nan"), "above 0"),
        (("will-it-do", "LOGS", "--model", "M", "--net-l", "0"), "above 0"),
        (("will-it-do", "LOGS", "--model", "M", "--net-l", "250", "--flow", "-1"), "above 0"),
        (("sheets", "LOGS", "--day", "9999-12-31", "--out", "out"), "out of reach"),
        (("review", "LOGS", "--as-of", "0001-01-01"), "out of reach"),
        (("dashboard", "LOGS", "--port", "99999"), "1024 to 65535"),
        (("dashboard", "LOGS", "--port", "x"), "1024 to 65535"),
    ],
)
def test_an_option_out_of_reach_is_a_sentence(logs: Path, words: tuple[str, ...], said: str) -> None:
    code, _, told = run_command(*(word.replace("LOGS", str(logs)) for word in words))
    assert code == 2
    assert said in " ".join(told.split())


def test_a_closed_pipe_ends_with_0(logs: Path) -> None:
    script = f"{sys.executable} -m pipeline.cli assumptions {logs} | true; exit ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, cwd=ROOT, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_full_disk_behind_the_output_is_a_sentence_and_another_encoding_is_no_error(logs: Path) -> None:
    """One process each, as both hang on the stream that Python opens at its start."""
    line = [*CLI, "assumptions", str(logs)]
    with open("/dev/full", "w") as full:
        done = subprocess.run(line, stdout=full, stderr=subprocess.PIPE, text=True, cwd=ROOT, check=False)
    assert (done.returncode, len(done.stderr.splitlines())) == (1, 1)
    assert "No space left on device" in done.stderr
    plain = subprocess.run(
        line, env={**os.environ, "PYTHONIOENCODING": "ascii"}, capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert (plain.returncode, plain.stderr) == (0, "")
    assert "?C" in plain.stdout


def test_a_log_on_a_full_disk_is_in_nobodys_way(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log.log_file(tmp_path).parent.mkdir()
    log.log_file(tmp_path).symlink_to("/dev/full")
    log.start(tmp_path).info("x")
    log.stop()
    assert capsys.readouterr().err == ""


def test_a_file_that_no_load_reads_is_told(logs: Path) -> None:
    (logs / "visits" / "june.numbers").write_bytes(b"PK")
    out = run_command("load", logs)[1]
    log.stop()
    assert "Not read: visits/june.numbers. Only .csv, .xlsx and .ods files are" in out


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f"a = {'1' * 5000}", "can't be read"),
        (f"a = 0x{'f' * 5000}", "can't be read"),
        (f"a = {'[' * 5000}", "can't be read"),
        (f"# {'x' * 1_000_000}", "larger than 1000 kB"),
    ],
)
def test_settings_out_of_reach_are_a_sentence(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "round.toml").write_text(text)
    assert said in read_round(tmp_path).problems[0]


# A sparse file takes no room on the disk, and the load must not read it.
def test_a_sheet_of_500_mb_is_held_unread_and_a_folder_of_many_is_refused(tmp_path: Path) -> None:
    (tmp_path / "visits").mkdir()
    for number, megabytes in enumerate((500, 19, 19, 19)):
        with (tmp_path / "visits" / f"{number}.csv").open("wb") as file:
            file.truncate(megabytes * 1_000_000)
    (large, *_) = find_files(tmp_path, 20, 60)
    assert large.trouble == "it is larger than 20 MB; split it into several files"
    with pytest.raises(Problem, match="are 57 MB together; expected up to 50 MB"):
        find_files(tmp_path, 20, 50)


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        ("date,tank\n" + "\n" * 500_000, "500001 lines, more than the 500000"),
        ("," * 1_000_000, "1000001 columns, more than the 500"),
    ],
)
def test_too_many_lines_or_columns_are_refused_before_they_are_read(sheet: str, said: str) -> None:
    with pytest.raises(structure.NoTable, match=said):
        structure.read_table(sheet.encode(), frozenset({"date", "tank"}), str, 500)


@pytest.mark.parametrize("quote", ["", '"'])
def test_a_row_of_megabytes_is_held_alone(quote: str) -> None:
    sheet = f"date,tank\n2026-01-05,T1\n2026-01-06,{quote}{'x' * 20_000_000}{quote}\n2026-01-07,T2\n"
    table = structure.read_table(sheet.encode(), frozenset({"date", "tank"}), str, 500)
    assert table.cells["tank"].to_list() == ["T1", "T2"]
    assert [(line, fault, len(text)) for line, _, fault, _, text in table.odd] == [(3, "too long", 2000)]


def test_an_error_of_ours_is_one_sentence_and_a_log_file(
    logs: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise ZeroDivisionError("secret of a row")

    monkeypatch.setattr("pipeline.weekly.load", breaks)
    monkeypatch.setattr(sys, "argv", ["tankround", "load", str(logs)])
    with pytest.raises(SystemExit) as stop:
        cli.main()
    told = capsys.readouterr().err
    log.stop()
    assert stop.value.code == 1
    assert told.startswith("Something went wrong that should not: ZeroDivisionError.")
    assert "Traceback" not in told
    assert str(log.log_file(logs).resolve()) in told
    assert "ZeroDivisionError" in log.log_file(logs).read_text(encoding="utf-8")


def test_the_log_file_does_not_grow_for_ever(tmp_path: Path) -> None:
    logger = log.start(tmp_path)
    for _ in range(60):
        logger.info("x" * 100_000)
    log.stop()
    files = sorted(log.log_file(tmp_path).parent.glob("tankround.log*"))
    assert len(files) == log.KEPT + 1
    assert all(file.stat().st_size <= log.MOST_BYTES for file in files)


# -- the dashboard's door -------------------------------------------------------------------------------


def test_no_variable_of_the_caller_reaches_the_server(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STREAMLIT_SERVER_ADDRESS", "0.0.0.0")
    assert not [name for name in environment(logs, None) if name.startswith("STREAMLIT_")]
    line = command(1234)
    assert line[line.index("--server.address") + 1] == HOST
    assert line[line.index("--server.enableXsrfProtection") + 1] == "true"


def test_a_taken_port_is_a_sentence(logs: Path) -> None:
    with socket.socket() as s:
        s.bind((HOST, 0))
        s.listen()
        with pytest.raises(Problem, match="is taken by another program"):
            serve(logs, None, s.getsockname()[1], browser=False)


def _listening(port: int) -> set[str]:
    """The addresses that a port is bound to, as the kernel lists them."""
    found = set()
    for table in ("/proc/net/tcp", "/proc/net/tcp6"):
        for line in Path(table).read_text().splitlines()[1:] if Path(table).exists() else ():
            address, state = line.split()[1], line.split()[3]
            if state == "0A" and int(address.rsplit(":", 1)[1], 16) == port:
                found.add(address.rsplit(":", 1)[0])
    return found


def test_no_variable_or_config_file_opens_the_server_and_sigterm_ends_it(logs: Path, tmp_path: Path) -> None:
    config = '[server]\naddress = "0.0.0.0"\nenableCORS = false\nenableXsrfProtection = false\n'
    for home in (tmp_path / "home", tmp_path / "here"):
        (home / ".streamlit").mkdir(parents=True)
        (home / ".streamlit" / "config.toml").write_text(config)
    port = free_port()
    env = {**os.environ, "HOME": str(tmp_path / "home"), "STREAMLIT_SERVER_ADDRESS": "0.0.0.0",
           "STREAMLIT_SERVER_ENABLE_CORS": "false", "PYTHONPATH": str(ROOT)}  # fmt: skip
    line = [*CLI, "dashboard", str(logs), "--no-browser", "--port", str(port)]
    server = subprocess.Popen(line, env=env, cwd=tmp_path / "here", stdout=subprocess.PIPE, text=True)
    try:
        until = time.monotonic() + 60
        while not _listening(port) and time.monotonic() < until:
            time.sleep(0.2)
        assert _listening(port) == {"0100007F"}  # 127.0.0.1, and nothing else

        def asked(**headers: str) -> int:
            http_ = http.client.HTTPConnection(HOST, port, timeout=10)
            upgrade = {"Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
                       "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ=="}  # fmt: skip
            http_.request("GET", "/_stcore/stream", headers={**upgrade, **headers})
            status = http_.getresponse().status
            http_.close()
            return status

        assert asked(Origin=f"http://{HOST}:{port}") == 101
        assert asked(Origin="http://elsewhere.example") == 403
        assert asked(Origin=f"http://{HOST}:{port}", Host="elsewhere.example") in (400, 403)
        server.send_signal(signal.SIGTERM)
        assert server.wait(20) == 0
        assert not _listening(port)
    finally:
        if server.poll() is None:
            server.kill()
        server.communicate()
