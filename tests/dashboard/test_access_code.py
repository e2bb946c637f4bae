"""Serving the house's network: nothing is shown before the code, a code works once, wrong ones end it."""

from __future__ import annotations

from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from dashboard import launch
from dashboard.access_code import TRIES, Access
from dashboard.launch import CODE
from pipeline.problems import Problem

APP = Path(launch.__file__).with_name("app.py")


def test_a_code_lets_one_device_in_and_is_then_another() -> None:
    access = Access("012345")
    assert access.open("99999") == ""
    key = access.open(" 012 345 ")
    assert access.knows(key)
    assert not access.knows("")
    assert access.open("012345") == ""
    assert access.knows(key)


def test_wrong_codes_in_a_row_are_the_last_even_to_the_right_one() -> None:
    access = Access("012345")
    for _ in range(TRIES):
        assert access.open("0") == ""
    assert access.shut
    assert access.open("012345") == ""


def test_nothing_of_the_round_is_shown_before_the_code(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    st.cache_resource.clear()
    for name, value in (("TANKROUND_LOGS", str(demo_logs)), ("TANKROUND_DB", ""), ("TANKROUND_AS_OF", "2026-06-01"), (CODE, "012345")):  # fmt: skip
        monkeypatch.setenv(name, value)
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    said = " ".join(h.proto.body for h in app.get("html") if "<style" not in h.proto.body)
    assert (app.title[0].value, said) == ("Code needed", "")
    app.text_input[0].set_value("000000")
    app.button[0].click().run()
    assert app.error[0].value == "That is not the code."
    app.text_input[0].set_value("012345")
    app.button[0].click().run()
    assert app.title[0].value == "This week"


def test_only_a_private_network_is_served_and_what_is_not_protected_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    class Socket:
        address = "127.0.0.1"

        def __enter__(self) -> Socket:
            return self

        def __exit__(self, *_: object) -> None: ...

        def connect(self, _: object) -> None: ...

        def getsockname(self) -> tuple[str, int]:
            return self.address, 1

    monkeypatch.setattr(launch.socket, "socket", lambda *_: Socket())
    for address, says in (("127.0.0.1", "in no network"), ("93.184.216.34", "from outside the house")):
        Socket.address = address
        with pytest.raises(Problem, match=says):
            launch.house_address()
    Socket.address = "192.168.1.20"
    assert launch.house_address() == "192.168.1.20"
    assert "travels unencrypted" in launch.phones_text("http://192.168.1.20:1", "012345", tls=False)
    assert "travels unencrypted" not in launch.phones_text("https://192.168.1.20:1", "012345", tls=True)
    line = launch.command(1, "192.168.1.20", (Path("c.pem"), Path("k.pem")))
    assert line[line.index("--server.address") + 1] == "192.168.1.20"
    assert line[line.index("--server.sslKeyFile") + 1] == "k.pem"
