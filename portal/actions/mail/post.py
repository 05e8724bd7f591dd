"""Handing mails to the mail server, and knowing whether they have left."""

from __future__ import annotations

import contextlib
import re
import smtplib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from anymail.exceptions import AnymailAPIError, AnymailError
from django.conf import settings
from django.core.mail import EmailMultiAlternatives, get_connection
from django.core.mail.backends import smtp
from django.utils.translation import gettext_noop


def mail_folder() -> Path | None:
    """Where the embedded portal writes its mails; None once a mail server takes them."""
    if settings.EMAIL_BACKEND.endswith("filebased.EmailBackend"):
        return Path(settings.EMAIL_FILE_PATH)
    return None


class NotTaken(Exception):
    """The mail server did not take the mail: surely not, whatever else went wrong."""

    def __init__(
        self, reason: str, *, for_good: bool = False, server_away: bool = False, no_such_address: bool = False
    ):
        super().__init__(reason)
        self.reason = reason
        self.for_good = for_good
        self.server_away = server_away
        self.no_such_address = no_such_address


class MayHaveArrived(Exception):
    """The connection was lost after the message had begun to leave: nobody can tell whether it was kept."""


class _Connection(smtplib.SMTP):
    before_content: Callable[[], None] | None = None

    def getreply(self) -> tuple[int, bytes]:
        code, words = super().getreply()
        if code == 354 and self.before_content:  # "start mail input", the one answer after which the mail itself leaves
            self.before_content()
        return code, words


class SmtpBackend(smtp.EmailBackend):
    """Django's SMTP backend, which tells when the mail itself is about to leave: until then nothing has arrived."""

    before_content: Callable[[], None] | None = None

    @property
    def connection_class(self) -> type[_Connection]:
        return _Connection

    def send_messages(self, email_messages: Any) -> int:
        self.open()
        if isinstance(self.connection, _Connection):
            self.connection.before_content = self.before_content
        return super().send_messages(email_messages) or 0


class Postman:
    """Hands mails over one by one, over one connection to the mail server while that holds."""

    def __init__(self) -> None:
        self._backend: Any = None

    def deliver(self, mail: EmailMultiAlternatives, *, handing_over: Callable[[], None]) -> None:
        """Deliver one mail. ``handing_over`` is called when the message itself begins to leave.

        Raises NotTaken or MayHaveArrived; what ``handing_over`` raises passes through and nothing has left.
        """
        if not isinstance(self._backend, SmtpBackend):
            self._backend = get_connection()  # the file backend writes a file a connection, and one mail is one file
        leaving = False

        def begin() -> None:
            nonlocal leaving
            handing_over()
            leaving = True

        try:
            if isinstance(self._backend, SmtpBackend):
                self._backend.before_content = begin
            else:
                begin()
            self._backend.send_messages([mail])
        except smtplib.SMTPRecipientsRefused as error:
            code, said = next(iter(error.recipients.values()))
            raise _refusal(code, said) from error
        except (smtplib.SMTPConnectError, smtplib.SMTPHeloError, smtplib.SMTPAuthenticationError) as error:
            self.close()
            raise NotTaken(
                gettext_noop("The mail server turned us away: {smtp_error}").format(smtp_error=_said(error.smtp_error)),
                server_away=True,
            ) from error
        except smtplib.SMTPResponseException as error:
            self.close()
            raise _refusal(error.smtp_code, error.smtp_error) from error
        except (smtplib.SMTPServerDisconnected, OSError) as error:
            self.close()
            if leaving:
                raise MayHaveArrived(str(error)) from error
            raise NotTaken(
                gettext_noop("The mail server cannot be reached: {error}").format(error=error), server_away=True
            ) from error
        except AnymailAPIError as error:
            status = getattr(error, "status_code", None)  # of the provider's answer: 429 and 5xx mean later
            for_good = status is None or (400 <= status < 500 and status != 429)
            raise NotTaken(
                gettext_noop("The mail service refused it: {error}").format(error=error), for_good=for_good
            ) from error
        except (smtplib.SMTPException, AnymailError, ValueError, UnicodeError) as error:
            self.close()
            raise NotTaken(
                gettext_noop("The mail could not be written or addressed: {error}").format(error=error), for_good=True
            ) from error
        except BaseException:
            self.close()  # in the middle of a mail: the next one needs a fresh connection
            raise

    def close(self) -> None:
        """End the connection, if there is one, whatever state it is in."""
        backend, self._backend = self._backend, None
        if backend is not None:
            with contextlib.suppress(smtplib.SMTPException, OSError):
                backend.close()


def _refusal(code: int, said: bytes | str) -> NotTaken:
    words = _said(said)
    # RFC 3463: 5.1.1 no such mailbox, 5.1.2 no such domain, 5.1.10 the domain takes no mail.
    gone = code >= 500 and re.match(r"5\.1\.(1|2|10)\b", words) is not None
    return NotTaken(
        gettext_noop("The mail server refused it ({code}): {words}").format(code=code, words=words),
        for_good=code >= 500,
        no_such_address=gone,
    )


def _said(words: bytes | str) -> str:
    return words.decode("utf-8", "replace") if isinstance(words, bytes) else str(words)
