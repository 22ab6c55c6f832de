"""Servers that take messages, well or badly: mail by aiosmtpd, HTTP by the standard library."""

import asyncio
import dataclasses
import email
import email.policy
import http.server
import json
import socket
import ssl
import threading
import time

import rig
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult


@dataclasses.dataclass(frozen=True)
class Mail:
    """A mail as it was taken."""

    at: float
    to: str
    message: email.message.EmailMessage

    @property
    def id(self):
        """Its Message-ID."""
        return self.message["Message-ID"]

    @property
    def text(self):
        """Its plain text."""
        return self.message.get_body(("plain",)).get_content()


class Mailbox:
    """Takes mail. What stands before the `@` says how: `drops`, `hangs`, `busy` and `never` do so the first time."""

    def __init__(self, port=None, context=None, tls="none", password=None, slow=0.0):
        self.port = port or rig.free_port()
        self.slow = slow
        self.mails = []
        self.tried = {}
        self.password = password
        extra = {}
        if password:
            extra = {"authenticator": self.check, "auth_required": True, "auth_require_tls": tls == "starttls"}
        if tls == "starttls":
            extra |= {"tls_context": context, "require_starttls": True}
        self.controller = Controller(
            self, hostname="127.0.0.1", port=self.port, ssl_context=context if tls == "tls" else None, **extra
        )
        self.controller.start()

    def check(self, _server, _session, _envelope, _mechanism, login):
        """Whether the password is right."""
        return AuthResult(success=login.password.decode() == self.password)

    async def handle_RCPT(self, server, _session, envelope, address, _options):
        """Somebody whom mail is for."""
        how = address.split("@")[0]
        first = self.tried.setdefault(address, []) == []
        self.tried[address].append(time.monotonic())
        if first and how == "drops":
            server.transport.abort()
            return "451 gone"
        if first and how == "hangs":
            await asyncio.sleep(60)
        if first and how == "busy":
            return "451 try again later"
        if first and how == "never":
            return "550 nobody of that name"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server, _session, envelope):
        """The mail itself."""
        if self.slow:
            await asyncio.sleep(self.slow)
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        for to in envelope.rcpt_tos:
            self.mails.append(Mail(time.monotonic(), to, message))
        return "250 taken"

    def of(self, to):
        """Mails to that address."""
        return [mail for mail in self.mails if mail.to == to]

    def wait(self, to, count=1, within=12.0, suits=lambda mail: True):
        """The last of `count` mails to that address that suit."""
        rig.until(lambda: len([mail for mail in self.of(to) if suits(mail)]) >= count, within, f"{count} mails to {to}")
        return [mail for mail in self.of(to) if suits(mail)][-1]

    def close(self):
        """Takes no more."""
        self.controller.stop()


@dataclasses.dataclass(frozen=True)
class Call:
    """An HTTP request."""

    at: float
    method: str
    path: str
    headers: dict
    body: bytes

    def json(self):
        """The body as JSON."""
        return json.loads(self.body)


class Sink:
    """Takes HTTP requests. `answers` says what each path answers: a code, or a code and where to go; else 204."""

    def __init__(self, answers=None, context=None):
        self.calls = []
        self.answers = answers or {}
        sink = self

        class Handler(http.server.BaseHTTPRequestHandler):
            """One request."""

            protocol_version = "HTTP/1.1"

            def take(self):
                """Notes it and answers."""
                body = self.rfile.read(int(self.headers.get("content-length", 0)))
                sink.calls.append(Call(time.monotonic(), self.command, self.path, {name.lower(): value for name, value in self.headers.items()}, body))
                answer = sink.answers.get(self.path, 204)
                if answer == "hangs":
                    time.sleep(40)
                    return
                code, where = answer if isinstance(answer, tuple) else (answer, None)
                self.send_response(code)
                if where:
                    self.send_header("Location", where)
                self.send_header("Content-Length", "0")
                self.end_headers()

            do_GET = do_POST = take

            def log_message(self, *_):
                """Says nothing."""

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        if context:
            self.server.socket = context.wrap_socket(self.server.socket, server_side=True)
        self.port = self.server.server_address[1]
        self.url = f"{'https' if context else 'http'}://127.0.0.1:{self.port}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def of(self, path):
        """Requests of that path."""
        return [call for call in self.calls if call.path == path]

    def close(self):
        """Takes no more."""
        self.server.shutdown()
        self.server.server_close()


def server_context(papers):
    """TLS by the certificate of the test's own authority."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(papers / "broker.pem", papers / "broker.key")
    return context


def closed_port():
    """A port that refuses, for as long as the socket that is returned with it lives."""
    taken = socket.socket()
    taken.bind(("127.0.0.1", 0))
    return taken.getsockname()[1], taken
