"""Badge, password or ticket that a client gives besides its login; `daq.app.laboratory.identity` decides who acts."""

from typing import Final

from daq.methods.files.fields import Hidden, Label, Model


class Given(Model):
    """A badge, or id and password of a person, or the ticket of a log-in, given besides the login."""

    person: Label = ""
    password: Hidden = ""
    badge: Hidden = ""
    ticket: Hidden = ""
    """Ticket of a log-in (`daq.app.laboratory.log_ins`), or token of a program (`daq.app.laboratory.clients`)."""
    page: bool = False
    """The request comes from the page: its login is that of a program and identifies no person."""

    @property
    def secret(self) -> str:
        """The key of the secret that was given; "" where none was."""
        return next((key for key in ("badge", "person", "ticket") if getattr(self, key)), "")


NOTHING_GIVEN: Final = Given()
