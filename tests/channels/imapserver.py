"""Mailboxes on the loopback for tests: a small IMAP4rev1 server of our own, and Debian's dovecot where it is installed.

Our own knows just the commands a mailbox reader needs (RFC 3501, 6; MOVE: RFC 6851) and can be told to misbehave;
dovecot shows that a real server agrees.
"""

from __future__ import annotations

import base64
import contextlib
import os
import pwd
import re
import shutil
import socket
import socketserver
import ssl
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from tests.channels.mailserver import PASSWORD, USER, free_port

DOVECOT_PASSWORD = PASSWORD.replace(" ", "")  # its configuration takes no spaces
DOVECOT = shutil.which("dovecot") or shutil.which("dovecot", path="/usr/sbin")


class Mailbox(Protocol):
    """A mailbox tests can put mails into and look into."""

    port: int
    user: str
    password: str

    def deliver(self, raw: bytes) -> None: ...
    def unread(self) -> int: ...
    def count(self, folder: str = "INBOX") -> int: ...


@dataclass
class Stored:
    uid: int
    raw: bytes
    flags: set[str] = field(default_factory=set)
    folder: str = "INBOX"


@dataclass
class OwnMailbox:
    """Our own server's only mailbox. `faults`: command -> line to answer instead; "" hangs up."""

    port: int = 0
    user: str = USER
    password: str = PASSWORD
    messages: list[Stored] = field(default_factory=list)
    folders: set[str] = field(default_factory=lambda: {"INBOX", "done", "unclear"})
    capabilities: str = "IMAP4rev1 MOVE AUTH=PLAIN"
    faults: dict[str, str] = field(default_factory=dict)
    commands: list[str] = field(default_factory=list)
    tls: ssl.SSLContext | None = None

    def deliver(self, raw: bytes) -> None:
        self.messages.append(Stored(uid=len(self.messages) + 1, raw=raw))

    def unread(self) -> int:
        return sum("\\Seen" not in one.flags for one in self.messages if one.folder == "INBOX")

    def count(self, folder: str = "INBOX") -> int:
        return sum(one.folder == folder for one in self.messages)


class _Talk(socketserver.StreamRequestHandler):
    disable_nagle_algorithm = True

    def handle(self) -> None:
        self.box: OwnMailbox = self.server.box  # type: ignore[attr-defined]
        self.is_in = False
        with contextlib.suppress(OSError, ValueError):
            self.say("* OK ready")
            while line := self.rfile.readline():
                if not self.answer(line.decode("utf-8", "replace").rstrip("\r\n")):
                    return

    def finish(self) -> None:
        super().finish()
        self.connection.close()

    def say(self, line: str) -> None:
        self.wfile.write(line.encode("utf-8") + b"\r\n")

    def answer(self, line: str) -> bool:
        tag, _, rest = line.partition(" ")
        word = rest.split(" ")[0].upper()
        command = " ".join(rest.upper().split(" ")[:2]) if word == "UID" else word
        self.box.commands.append(rest)
        if command in self.box.faults:
            fault = self.box.faults[command]
            if fault:
                self.say(fault.replace("TAG", tag))
            return bool(fault)
        handler = getattr(self, "do_" + command.lower().replace(" ", "_"), None)
        if handler is None or (not self.is_in and command not in OPEN_COMMANDS):
            self.say(f"{tag} BAD not now")
            return True
        return handler(tag, rest) is not False

    def do_capability(self, tag: str, rest: str) -> None:
        more = " STARTTLS" if self.box.tls and not isinstance(self.connection, ssl.SSLSocket) else ""
        self.say(f"* CAPABILITY {self.box.capabilities}{more}")
        self.say(f"{tag} OK done")

    def do_starttls(self, tag: str, rest: str) -> None:
        assert self.box.tls
        self.say(f"{tag} OK begin")
        self.connection = self.box.tls.wrap_socket(self.connection, server_side=True)
        self.rfile, self.wfile = self.connection.makefile("rb"), socketserver._SocketWriter(self.connection)

    def do_login(self, tag: str, rest: str) -> None:
        self.enter(tag, rest.split(" ", 1)[1] in (f'{USER} "{PASSWORD}"', f'"{USER}" "{PASSWORD}"'))

    def do_authenticate(self, tag: str, rest: str) -> None:
        self.say("+")
        told = base64.b64decode(self.rfile.readline().strip())
        self.enter(tag, told == f"\0{USER}\0{PASSWORD}".encode())

    def enter(self, tag: str, is_right: bool) -> None:
        self.is_in = is_right
        self.say(f"{tag} OK welcome" if is_right else f"{tag} NO [AUTHENTICATIONFAILED] no")

    def do_select(self, tag: str, rest: str) -> None:
        self.folder = rest.split(" ", 1)[1].strip('"')
        is_there = self.folder in self.box.folders
        if is_there:
            self.say(f"* {len(self.here())} EXISTS")
        self.say(f"{tag} OK [READ-WRITE] open" if is_there else f"{tag} NO none")

    def here(self) -> list[Stored]:
        return [one for one in self.box.messages if one.folder == self.folder]

    def do_uid_search(self, tag: str, rest: str) -> None:
        uids = [str(one.uid) for one in self.here() if "\\Seen" not in one.flags]
        self.say(f"* SEARCH {' '.join(uids)}".rstrip())
        self.say(f"{tag} OK done")

    def do_uid_fetch(self, tag: str, rest: str) -> None:
        found = re.fullmatch(r"UID FETCH (\d+) \(BODY\.PEEK\[\]<0\.(\d+)>\)", rest)
        assert found
        for number, one in enumerate(self.here(), start=1):
            if one.uid == int(found[1]):
                raw = one.raw[: int(found[2])]
                self.wfile.write(
                    f"* {number} FETCH (UID {one.uid} BODY[]<0> {{{len(raw)}}}\r\n".encode() + raw + b")\r\n"
                )
        self.say(f"{tag} OK done")

    def do_uid_store(self, tag: str, rest: str) -> None:
        uid = int(rest.split(" ")[2])
        for one in self.here():
            if one.uid == uid:
                one.flags.add("\\Seen")
        self.say(f"{tag} OK done")

    def do_uid_move(self, tag: str, rest: str) -> None:
        _, _, uid, folder = rest.split(" ", 3)
        folder = folder.strip('"')
        if folder not in self.box.folders:
            self.say(f"{tag} NO [TRYCREATE] none")
            return
        for one in self.here():
            if one.uid == int(uid):
                one.folder = folder
        self.say(f"{tag} OK done")

    def do_logout(self, tag: str, rest: str) -> bool:
        self.say("* BYE")
        self.say(f"{tag} OK bye")
        return False


OPEN_COMMANDS = ("CAPABILITY", "STARTTLS", "LOGIN", "AUTHENTICATE", "LOGOUT")


@contextmanager
def own_server(**options: Any) -> Iterator[OwnMailbox]:
    """Run our own server."""
    box = OwnMailbox(**options)

    class Server(socketserver.ThreadingTCPServer):
        allow_reuse_address = True
        daemon_threads = True
        request_queue_size = 16

    with Server(("127.0.0.1", 0), _Talk) as server:
        server.box = box  # type: ignore[attr-defined]
        box.port = int(server.server_address[1])
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield box
        finally:
            server.shutdown()
            thread.join(10)


# ---------------------------------------------------------------- dovecot


@dataclass
class DovecotMailbox:
    """A Maildir that dovecot serves."""

    port: int
    folder: Path
    owner: tuple[int, int]
    user: str
    password: str = DOVECOT_PASSWORD
    delivered: int = 0

    def deliver(self, raw: bytes) -> None:
        self.delivered += 1
        target = self.folder / "new" / f"{1_700_000_000 + self.delivered}.{self.delivered}.test"
        target.write_bytes(raw.replace(b"\r\n", b"\n"))
        os.chown(target, *self.owner)

    def unread(self) -> int:
        waiting = list((self.folder / "new").iterdir())
        return len(waiting) + sum("S" not in one.name.partition(":2,")[2] for one in (self.folder / "cur").iterdir())

    def count(self, folder: str = "INBOX") -> int:
        root = self.folder if folder == "INBOX" else self.folder / f".{folder}"
        return sum(len(list((root / part).iterdir())) for part in ("new", "cur") if (root / part).exists())


CONFIG = """
base_dir = {root}/run
state_dir = {root}/run
log_path = {root}/log
protocols = imap
listen = 127.0.0.1
ssl = no
disable_plaintext_auth = no
auth_mechanisms = plain login
auth_failure_delay = 0
mail_location = maildir:{root}/%u
first_valid_uid = 1
default_internal_user = {internal}
default_internal_group = {internal_group}
default_login_user = {login}
service imap-login {{
  chroot =
  inet_listener imap {{
    port = {port}
  }}
  inet_listener imaps {{
    port = 0
  }}
}}
service anvil {{
  chroot =
  unix_listener anvil-auth-penalty {{
    mode = 0
  }}
}}
service stats {{
  chroot =
}}
passdb {{
  driver = static
  args = password={password}
}}
userdb {{
  driver = static
  args = uid={uid} gid={gid} home={root}
}}
namespace inbox {{
  inbox = yes
  separator = /
  mailbox done {{
    auto = create
  }}
  mailbox unclear {{
    auto = create
  }}
}}
"""


@dataclass
class Dovecot:
    """A running dovecot; every user has the same password and a mailbox of its own."""

    port: int
    root: Path
    owner: tuple[int, int]
    users: int = 0

    def mailbox(self) -> DovecotMailbox:
        """A new, empty mailbox."""
        self.users += 1
        folder = self.root / f"user{self.users}"
        for part in ("", "new", "cur", "tmp"):
            (folder / part).mkdir(exist_ok=True)
            os.chown(folder / part, *self.owner)
        return DovecotMailbox(port=self.port, folder=folder, owner=self.owner, user=folder.name)


@contextmanager
def dovecot() -> Iterator[Dovecot]:
    """Run dovecot in a folder of its own."""
    root = Path(tempfile.mkdtemp(prefix="carewatch-imap-"))
    is_root = os.geteuid() == 0
    me = pwd.getpwuid(os.geteuid())
    mail = pwd.getpwnam("mail") if is_root else me
    group = (
        "dovecot"
        if is_root
        else subprocess.run(["id", "-gn"], capture_output=True, text=True, check=True).stdout.strip()
    )
    port = free_port()
    root.chmod(0o755)
    (root / "dovecot.conf").write_text(
        CONFIG.format(
            root=root,
            port=port,
            password=DOVECOT_PASSWORD,
            uid=mail.pw_uid,
            gid=mail.pw_gid,
            internal="dovecot" if is_root else me.pw_name,
            internal_group=group,
            login="dovenull" if is_root else me.pw_name,
        )
    )
    process = subprocess.Popen(
        [str(DOVECOT), "-F", "-c", str(root / "dovecot.conf")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        _wait_for(port, process, root / "log")
        yield Dovecot(port=port, root=root, owner=(mail.pw_uid, mail.pw_gid))
    finally:
        process.terminate()
        process.wait(20)
        shutil.rmtree(root, ignore_errors=True)


def _wait_for(port: int, process: subprocess.Popen[bytes], log: Path) -> None:
    ends_at = time.monotonic() + 20
    while time.monotonic() < ends_at and process.poll() is None:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1) as line:
            line.settimeout(2)
            if line.recv(20):
                return
        threading.Event().wait(0.05)
    raise AssertionError(log.read_text() if log.exists() else "dovecot did not start")
