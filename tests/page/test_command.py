"""``treescan page`` refuses what it cannot serve in one line."""

import socket

from treescan_cli.main import main


def test_a_port_in_use_is_one_line_and_no_link(capsys, tmp_path):
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        status = main(["page", str(tmp_path / "job"), "--port", str(port), "--no-browser"])
    said = capsys.readouterr()
    assert status == 2
    assert said.out == ""
    assert said.err.startswith(f"treescan: --port {port}")
    assert said.err.count("\n") == 1
    assert not (tmp_path / "job").exists()
