"""The configuration of the daemon, and the instruments of it that are served.

All parts of the daemon read the catalogue from here, so that it has one owner.
"""

from daq.app.records.replaying import maker as driver_maker
from daq.app.setup.catalogue import Catalogue
from daq.core.driver import Driver
from daq.core.replay import MakeDriver
from daq.methods.files.instrument import Instrument


class Configured:
    """Owns the catalogue of a running daemon.

    Attributes:
        catalogue: the configuration.
    """

    def __init__(self, catalogue: Catalogue, only: tuple[str, ...] = ()) -> None:
        """Take a configuration; `only` names the instruments to serve, empty: all that are enabled."""
        self.catalogue = catalogue
        self._only = only

    @property
    def served(self) -> tuple[str, ...]:
        """Names of the instruments to serve."""
        return self._only or tuple(self.catalogue.enabled)

    def instrument(self, name: str) -> tuple[Instrument, Driver]:
        """Return an instrument and a new driver for it.

        Raises:
            SettingError: there is no such instrument, or its driver or options are wrong.
        """
        instrument = self.catalogue.instrument(name)
        return instrument, self.catalogue.make_driver(instrument)

    @property
    def replay_driver(self) -> MakeDriver:
        """Function that makes the drivers of a recorded run."""
        return driver_maker(self.catalogue.drivers)

    def caution(self, product_id: str) -> str:
        """Return the safety text of a product; "" where there is no such product."""
        product = self.catalogue.products.get(product_id)
        return product.safety if product is not None else ""
