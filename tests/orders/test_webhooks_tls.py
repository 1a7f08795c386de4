"""The certificate of a lab's server, at a real server with TLS: by an authority that is known, and for the name in the address."""

from __future__ import annotations

import ipaddress
import ssl
import threading
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from orders.webhooks import send, targets

NAME = "lab.example"


def certificate(of, key, by, by_key, *, ends=timedelta(days=2), authority=False, names=()):
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, of)]))
        .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, by)]))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=9))
        .not_valid_after(now + ends)
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
    )
    if names:
        made = made.add_extension(x509.SubjectAlternativeName(names), critical=False)
    return made.sign(by_key, hashes.SHA256())


def pem(thing) -> bytes:
    return thing.public_bytes(serialization.Encoding.PEM)


@pytest.fixture
def served(tmp_path, monkeypatch):
    """A function that serves with a certificate and says what a message sent to it came to, and whether anything of it arrived."""
    root_key = ec.generate_private_key(ec.SECP256R1())
    (tmp_path / "authority.pem").write_bytes(pem(certificate("house", root_key, "house", root_key, authority=True)))

    def sent(*, known=True, name=NAME, **more):
        monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "authority.pem") if known else "/nowhere")
        monkeypatch.setenv("SSL_CERT_DIR", "/nowhere")
        key = ec.generate_private_key(ec.SECP256R1())
        form = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        names = [x509.DNSName(name), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
        whole = key.private_bytes(*form) + pem(certificate(name, key, "house", root_key, names=names, **more))
        (tmp_path / "lab.pem").write_bytes(whole)
        got = []

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                got.append(self.rfile.read(int(self.headers["Content-Length"])))
                self.send_response(204)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *args):
                pass

        class Server(HTTPServer):
            def handle_error(self, request, client_address):
                pass  # the other side has hung up, which is what is tested

        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(tmp_path / "lab.pem")
        with Server(("127.0.0.1", 0), Handler) as server:
            server.socket = context.wrap_socket(server.socket, server_side=True)
            thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
            thread.start()
            try:
                target = targets.Target(NAME, server.server_port, "/hook", True)
                answer = send.post(target, ["127.0.0.1"], b'{"of": "a client"}', {"Content-Type": "application/json"})
            finally:
                server.shutdown()
                thread.join()
        return answer, got

    return sent


def test_a_good_certificate_is_taken_and_the_message_arrives(served):
    answer, got = served()
    assert (answer.status, got) == (204, [b'{"of": "a client"}'])


@pytest.mark.parametrize(
    ("how", "why"),
    [
        ({"known": False}, "unable to get local issuer certificate"),
        ({"name": "other.example"}, "Hostname mismatch"),  # though the address it was connected to is in it
        ({"ends": timedelta(days=-1)}, "certificate has expired"),
    ],
)
def test_a_certificate_that_is_not_the_labs_is_refused_and_nothing_is_sent(served, how, why):
    answer, got = served(**how)
    assert (answer.status, got) == (0, [])
    assert why in answer.trouble
    assert send.plainly(answer.trouble) == "The certificate of the lab's server is not accepted."
