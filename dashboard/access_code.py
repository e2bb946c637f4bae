"""Who may see the pages when they are served to the house's network: whoever typed the code of the terminal, once.

Each code lets one device in and is then replaced. The device keeps a key in a cookie, so that a reload does not ask again;
keys live in this server's memory only. After some wrong codes in a row no more are taken until the dashboard is started anew.
"""

import hmac
import os
import secrets
import sys
from dataclasses import dataclass, field
from threading import Lock

import streamlit as st

from dashboard.launch import CODE, new_code

COOKIE = "tankround_key"
TRIES = 5  # wrong codes in a row
KEEP = f"""export default function({{data}}) {{
  document.cookie = '{COOKIE}=' + data + '; path=/; SameSite=Strict' + (location.protocol === 'https:' ? '; Secure' : ''); }}"""


@dataclass
class Access:
    """The code that is good now, the keys that were handed out, and how often in a row a code was wrong."""

    code: str
    keys: set[str] = field(default_factory=set)
    wrong: int = 0
    lock: Lock = field(default_factory=Lock)

    @property
    def shut(self) -> bool:
        return self.wrong >= TRIES

    def knows(self, key: str) -> bool:
        return any(hmac.compare_digest(key.encode(), one.encode()) for one in tuple(self.keys))

    def open(self, typed: str) -> str:
        """The key for the right code, which is then used up; blank for a wrong one, and for any once it is shut."""
        with self.lock:
            digits = "".join(typed.split())
            if self.shut or not hmac.compare_digest(digits.encode(), self.code.encode()):
                self.wrong += 1
                return ""
            key = secrets.token_urlsafe(32)
            self.keys.add(key)
            self.code, self.wrong = new_code(), 0
            return key


@st.cache_resource
def _access(first: str) -> Access:
    return Access(first)


def request() -> None:
    """Nothing on this machine alone; else the code, before anything of the round is read or shown."""
    first = os.environ.get(CODE, "")
    if not first:
        return
    access = _access(first)
    key = st.session_state.get(COOKIE) or st.context.cookies.get(COOKIE, "")
    if key and access.knows(key):
        st.components.v2.component("keep_key", js=KEEP, html="<span hidden></span>")(key="keep_key", data=key)
        st.session_state[COOKIE] = key
        return
    st.title("Code needed")
    if access.shut:
        st.write("Too many wrong codes. Stop the dashboard where it was started, and start it again.")
        st.stop()
    st.write("Type the code that stands where the dashboard was started. It lets one device in.")
    with st.form("code"):
        typed = st.text_input("Code", max_chars=12, autocomplete="one-time-code")
        if st.form_submit_button("Open", type="primary"):
            made = access.open(typed)
            if made:
                st.session_state[COOKIE] = made
                print(f"A device was let in. Code for the next one: {access.code}", file=sys.stderr, flush=True)
                st.rerun()
            st.error("That is not the code." if not access.shut else "Too many wrong codes: no more are taken.")
    st.stop()
