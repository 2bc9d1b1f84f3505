"""HTML to PDF: a real document, and that nothing outside it is ever fetched."""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from loadbook import paper
from loadbook.errors import StartError

pytestmark = pytest.mark.pdf


def test_a_document_becomes_a_pdf_and_nothing_is_fetched(tmp_path: Path) -> None:
    asked: list[str] = []

    class Listening(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

    server = HTTPServer(("127.0.0.1", 0), Listening)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    secret = tmp_path / "secret.svg"
    secret.write_text('<svg xmlns="http://www.w3.org/2000/svg" width="10" height="10"><text>secret</text></svg>')
    here = f"http://127.0.0.1:{server.server_port}"
    html = (
        f"<html lang=en><head><title>T</title><link rel=stylesheet href='{here}/a.css'>"
        f"<style>@import url('{here}/b.css'); body {{ background: url({here}/c.png) }}</style></head>"
        f"<body><h1>Statement</h1><img src='{here}/d.png' alt=''><img src='file://{secret}' alt=''></body></html>"
    )
    try:
        pdf = paper.pdf_of_html(html)
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    assert pdf.startswith(b"%PDF-1.")
    assert pdf.rstrip().endswith(b"%%EOF")
    assert asked == []


def test_what_cannot_be_made_is_said_in_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(StartError, match=r"not ready after 0\.01 s"):
        paper.pdf_of_html("<p>x</p>", timeout_s=0.01)
    with pytest.raises(StartError, match="too large"):
        paper.pdf_of_html("x" * (paper.LARGEST_HTML + 1))


def test_without_the_library_the_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "weasyprint.py").write_text("raise ImportError('not here')\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with pytest.raises(StartError, match="extra 'report'") as bad:
        paper.pdf_of_html("<p>x</p>")
    assert "\n" not in str(bad.value)
