"""The viewer's page: its code as one module; a page that asks this program, one that asks none."""

from __future__ import annotations

import gzip
import hmac
import json
import re
import secrets
import struct
import sys
from base64 import b64encode
from collections.abc import Sequence
from functools import cache
from html import escape
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from homeenergy.show.viewer.answers import Answer, Answers

WEB = Path(__file__).parent / "web"
MODULES = ("link", "clock", "lanes", "draw", "parts", "now", "save", "hand", "viewer")
# The modules import from one another only: joined, they need neither that line nor `export`.
BETWEEN = re.compile(r'^import \{[^}]*\} from "\./\w+\.js";\n|^export (?=\w)', re.MULTILINE)
MOST_ASKED_BYTES = 1 << 20
COPY_POINTS = 3000
LICENCE = "/*\n{}*/\n"


@cache
def module_text() -> str:
    """Code of the charting library, unaltered and with its licence, and ours, in one scope."""
    others = (WEB / "uplot" / "uPlot.iife.min.js").read_text(encoding="utf-8")
    licence = LICENCE.format((WEB / "uplot" / "LICENSE").read_text(encoding="utf-8"))
    ours = [(WEB / f"{name}.js").read_text(encoding="utf-8") for name in MODULES]
    return "\n".join([licence + others, *(BETWEEN.sub("", text) for text in ours)])


@cache
def style_text() -> str:
    """Style sheets of the charting library and of the viewer."""
    files = (WEB / "uplot" / "uPlot.min.css", WEB / "view.css")
    return "\n".join(path.read_text(encoding="utf-8") for path in files)


def packed(answer: Answer) -> bytes:
    """Put an answer in one piece: length of its text, the text, then its buffers."""
    said, buffers = answer
    text = json.dumps({**said, "lengths": [len(one) for one in buffers]}).encode()
    text += b" " * (-len(text) % 4)
    return b"".join([struct.pack("<I", len(text)), text, *buffers])


def copies_of(
    answers: Answers, *, points: int = COPY_POINTS, runs: Sequence[str] = ()
) -> dict[str, str]:
    """Answers that a page carries along, by what they answer: the whole log, and runs of circuits.

    Parameters
    ----------
    answers : Answers
    points : int
        Stretches of the log, or fewer than twice as many: what such a page can show at best.
    runs : sequence of str
        Circuits whose runs are found now and carried along.
    """
    questions = {"open": {"kind": "open", "points": points, "all": True}}
    questions |= {f"runs {name}": {"kind": "runs", "lane": name} for name in runs}
    copies = {}
    for key, question in questions.items():
        said, buffers = answers.answer(question)
        if said["kind"] == "error":
            raise ValueError(said["text"])
        whole = gzip.compress(packed((said, buffers)), mtime=0)
        copies[key] = b64encode(whole).decode("ascii")
    return copies


def script_of(code: str) -> str:
    """Code of the viewer with some more at its end, fit to stand in a page."""
    return f"{module_text()}\n{code}\n".replace("</script", "<\\/script")


def whole_page(title: str, link: str, *, nonce: str = "") -> str:
    """Write a page that holds all that it needs; its viewer asks through `link`, a line of code."""
    code = f'showViewer(document.getElementById("viewer"), {link});'
    own = f' nonce="{nonce}"' if nonce else ""
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<title>{escape(title)}</title>\n<link rel="icon" href="data:,">\n'
        f"<style>\n{style_text()}\nbody {{ margin: 0; background: light-dark(#fff, #141414); "
        "color-scheme: light dark; }\nh1 { color: light-dark(#222, #eee); "
        "font: bold 17px sans-serif; margin: 8px 12px 0; }\n"
        f"</style>\n</head>\n<body>\n<main>\n<h1>{escape(title)}</h1>\n"
        f'<div id="viewer"></div>\n</main>\n<script type="module"{own}>\n'
        f"{script_of(code)}</script>\n</body>\n</html>\n"
    )


def page_without_kernel(answers: Answers, *, points: int = COPY_POINTS) -> str:
    """Write a page that opens anywhere, without a kernel, down to a stated resolution."""
    house = answers.house
    loads = [c.name for c in house.circuits if c.role == "load" and house.has_readings(c)]
    copies = copies_of(answers, points=points, runs=loads)
    return whole_page(house.name, f"fromCopies({json.dumps(copies)})")


class _Server(ThreadingHTTPServer):
    def handle_error(self, request: Any, client_address: Any) -> None:
        """Print nothing where a page was closed before it had its answer."""
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)


def serve(answers: Answers, *, port: int = 0) -> tuple[ThreadingHTTPServer, str]:
    """Give a server of the page, not yet running, and the address that opens it.

    Notes
    -----
    It listens on 127.0.0.1 alone and answers nobody without the token of its address. A page of
    another site that calls this address by a name of its own is refused by the name.
    """
    token = secrets.token_urlsafe(24)

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def allowed(self, given: str) -> bool:
            host = self.headers.get("Host", "").rsplit(":", 1)[0]
            known = hmac.compare_digest(given.encode(), token.encode())
            if known and host in ("127.0.0.1", "localhost"):
                return True
            self.close_connection = True
            self.reply(403, "text/plain", b"Open the address that the program has printed.")
            return False

        def reply(self, status: int, kind: str, data: bytes, **extra: str) -> None:
            self.send_response(status)
            common = {"Content-Type": kind, "Content-Length": str(len(data))}
            common |= {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}
            common |= {"Referrer-Policy": "no-referrer"}
            for name, value in {**common, **extra}.items():
                self.send_header(name.replace("_", "-"), value)
            self.end_headers()
            self.wfile.write(data)

        def do_GET(self) -> None:
            url = urlsplit(self.path)
            if not self.allowed(parse_qs(url.query).get("token", [""])[0]):
                return
            if url.path != "/":
                return self.reply(404, "text/plain", b"There is no such page.")
            nonce = secrets.token_urlsafe(12)
            page = whole_page(answers.house.name, f"viaHttp({json.dumps(token)})", nonce=nonce)
            policy = f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'unsafe-inline'"
            policy += "; connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'"
            policy += "; frame-ancestors 'none'"
            data = page.encode()
            kind = "text/html; charset=utf-8"
            self.reply(200, kind, data, Content_Security_Policy=policy)

        def do_POST(self) -> None:
            if not self.allowed(self.headers.get("X-Token", "")):
                return
            length = int(self.headers.get("Content-Length", 0))
            if urlsplit(self.path).path != "/ask" or not 0 < length <= MOST_ASKED_BYTES:
                self.close_connection = True
                return self.reply(400, "text/plain", b"This is no question.")
            try:
                question: Any = json.loads(self.rfile.read(length))
            except ValueError:
                question = None
            if not isinstance(question, dict):
                return self.reply(400, "text/plain", b"This is no question.")
            data = packed(answers.answer(question))
            self.reply(200, "application/octet-stream", data)

        def log_message(self, format: str, *args: Any) -> None:
            """Print no line for each question."""

    server = _Server(("127.0.0.1", port), Handler)
    server.daemon_threads = True
    return server, f"http://127.0.0.1:{server.server_address[1]}/?token={token}"
