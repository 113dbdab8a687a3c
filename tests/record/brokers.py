"""A real broker on this machine alone, with TLS and passwords, in a thread of its own."""

import asyncio
import datetime
import ipaddress
import logging
import socket
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

USER, PASSWORD = "recorder", "a long password"


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate of 127.0.0.1 that vouches for itself, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "a broker")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False
        )
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), True)
        .sign(key, hashes.SHA256())
    )
    folder.mkdir(parents=True, exist_ok=True)
    cert, private = folder / "cert.pem", folder / "key.pem"
    cert.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    private.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return cert, private


@contextmanager
def broker(folder: Path, *, port: int, secured: bool = False) -> Iterator[None]:
    """Run a broker; secured, it wants TLS, and the password of `USER`."""
    from amqtt.broker import Broker

    logging.getLogger("amqtt").setLevel(logging.CRITICAL)
    listener: dict = {"type": "tcp", "bind": f"127.0.0.1:{port}"}
    plugins: dict = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
    if secured:
        from pwdlib import PasswordHash
        from pwdlib.hashers.argon2 import Argon2Hasher

        cert, key = folder / "cert.pem", folder / "key.pem"
        listener |= {"ssl": True, "certfile": str(cert), "keyfile": str(key)}
        passwords = folder / "passwords"
        hashed = PasswordHash((Argon2Hasher(),)).hash(PASSWORD)
        passwords.write_text(f"{USER}:{hashed}\n")
        plugins = {"amqtt.plugins.authentication.FileAuthPlugin": {"password_file": str(passwords)}}

    async def serve(started: Callable[[], Awaitable[object]]) -> None:
        running = Broker({"listeners": {"default": listener}, "plugins": plugins})
        await running.start()
        await started()
        await running.shutdown()

    with in_loop(serve):
        yield


@contextmanager
def in_loop(serve: Callable[[Callable[[], Awaitable[object]]], Awaitable[None]]) -> Iterator[None]:
    """Run a server in a loop and a thread of its own.

    It is given what it awaits once it has started: that ends when the block has.
    """
    loop = asyncio.new_event_loop()
    ready, done = threading.Event(), asyncio.Event()

    async def started() -> None:
        ready.set()
        await done.wait()

    thread = threading.Thread(target=loop.run_until_complete, args=(serve(started),), daemon=True)
    thread.start()
    assert ready.wait(10)
    try:
        yield
    finally:
        loop.call_soon_threadsafe(done.set)
        thread.join(timeout=10)
        loop.close()
