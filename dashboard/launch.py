"""Starts the dashboard as its own process, on loopback and without telemetry, and waits for it."""

import datetime as dt
import ipaddress
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
import webbrowser
from pathlib import Path
from threading import Thread

from pipeline.assumptions import built_in
from pipeline.problems import Problem

APP = Path(__file__).with_name("app.py")
HOST = "127.0.0.1"
CODE = "TANKROUND_CODE"  # the variable that holds the first code, where phones are served
WAIT_S = 30.0  # for the server to answer
# As flags, since they win over STREAMLIT_* variables and over any config.toml in the current or the home folder.
FLAGS = {
    "server.address": HOST,
    "server.headless": "true",
    "server.enableCORS": "true",
    "server.enableXsrfProtection": "true",
    "server.maxUploadSize": f"{built_in()['upload_limit_mb']:.0f}",
    "server.fileWatcherType": "none",
    "browser.gatherUsageStats": "false",
    "browser.serverAddress": HOST,
    "client.showErrorDetails": "none",
    "client.toolbarMode": "minimal",
    "global.developmentMode": "false",
}


def free_port(host: str = HOST, asked: int = 0) -> int:
    """A port that nothing listens on, or the one asked for. Raises Problem where that is taken."""
    with socket.socket() as s:
        if asked:
            s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            s.bind((host, asked))
        except OSError:
            raise Problem(
                f"Port {asked} is taken by another program; expected a free one. Leave --port away to get one."
            ) from None
        return int(s.getsockname()[1])


def new_code() -> str:
    """Six digits, from the machine's own source of chance."""
    return f"{secrets.randbelow(10**6):06d}"


def house_address() -> str:
    """This machine's address in the network it is in; nothing is sent to learn it. Raises Problem outside a private one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        try:
            s.connect(("192.0.2.1", 9))  # an address of documentation: only the way to it is looked up
            found = str(s.getsockname()[0])
        except OSError:
            found = HOST
    known = ipaddress.ip_address(found)
    if known.is_loopback or known.is_unspecified:
        raise Problem("This machine is in no network, so no phone can reach it; expected the Wi-Fi of the house.")
    if not known.is_private:
        raise Problem(
            f"{found} can be reached from outside the house; expected a private network. Use `tankround sheets --form`."
        )
    return found


def phones_text(url: str, code: str, tls: bool) -> str:
    """What serving the house's network means, in plain words."""
    plain = (
        "Not protected without --cert and --key: what is shown and typed travels unencrypted. Anyone who can listen in this"
        " network can read it, the code too, and act as that device. Only use it in a network that is yours.\n"
    )
    safe = "Encrypted with your certificate; a phone warns of one that it does not know.\n"
    return (
        f"For phones in this network: {url}\nCode for the next device: {code} (it works once; the next one is printed here)\n"
        f"{safe if tls else plain}Whoever was let in sees and writes everything. Ctrl-C stops it and forgets every device."
    )


def command(port: int, host: str = HOST, tls: tuple[Path, Path] | None = None) -> list[str]:
    """The server's command line: every protection is a flag."""
    given = FLAGS | {"server.address": host, "browser.serverAddress": host}
    given |= {"server.sslCertFile": str(tls[0]), "server.sslKeyFile": str(tls[1])} if tls else {}
    flags = [part for name, value in given.items() for part in (f"--{name}", value)]
    return [sys.executable, "-m", "streamlit", "run", str(APP), "--server.port", str(port), *flags]


def environment(logs: Path, db: Path | None, as_of: dt.date | None = None, code: str = "") -> dict[str, str]:
    """What the server is given: the folder, never in the address, and no STREAMLIT_* variable of the caller's."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("STREAMLIT_")}
    return {
        **kept,
        "TANKROUND_LOGS": str(logs.resolve()),
        "TANKROUND_DB": str(db.resolve()) if db else "",
        CODE: code,
        "TANKROUND_AS_OF": as_of.isoformat() if as_of else "",
    }


def _open_when_ready(url: str, port: int, host: str) -> None:
    """Open the browser once the server answers."""
    until = time.monotonic() + WAIT_S
    while time.monotonic() < until:
        with socket.socket() as s:
            s.settimeout(1.0)
            if s.connect_ex((host, port)) == 0:
                webbrowser.open(url)
                return
        time.sleep(0.2)


def serve(
    logs: Path, db: Path | None, port: int | None, browser: bool, as_of: dt.date | None = None, phones: bool = False,
    tls: tuple[Path, Path] | None = None,
) -> int:  # fmt: skip
    """Serve until Ctrl-C or SIGTERM, as of a day or of today, whichever day that is by then; the exit code.

    On this machine only, but with `phones` in its network too, behind a code.
    """
    for file in tls or ():
        if not file.is_file():
            raise Problem(f"{file} is not there; expected the file of a certificate or of its key. Nothing is served.")
    host = house_address() if phones else HOST
    port = free_port(host, port or 0)
    url = f"{'https' if tls else 'http'}://{host}:{port}"
    first = new_code() if phones else ""
    here = f"Dashboard at {url}  (this machine only; Ctrl-C stops it)"
    print(phones_text(url, first, tls is not None) if phones else here, flush=True)
    server = subprocess.Popen(
        command(port, host, tls), env=environment(logs, db, as_of, first), stdout=subprocess.DEVNULL
    )

    before = signal.signal(signal.SIGTERM, lambda *_: server.terminate())
    if browser:
        Thread(target=_open_when_ready, args=(url, port, host), daemon=True).start()
    try:
        code = server.wait()
        return 0 if code in (-signal.SIGTERM, -signal.SIGINT) else code
    except KeyboardInterrupt:
        return 0
    finally:
        if server.poll() is None:
            server.terminate()
            try:
                server.wait(5)
            except subprocess.TimeoutExpired:
                server.kill()
        signal.signal(signal.SIGTERM, before)
