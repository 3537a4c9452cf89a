"""A road network behind an address that the owner configures.

It speaks the documented JSON over HTTP of the open-source engine Valhalla, which a firm
can run on a machine of its own; the same questions are put to the library here. Places
go to that address and nowhere else.
"""

import hashlib
import json
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dispatch.travel.atlas import Refused
from shared.errors import Fault, InvalidInput, Unavailable

PATIENCE_S = 20.0  # for one answer; own choice
MOST_PLACES = 50  # in one question, as the engine's services allow by default
LARGEST_BYTES = 64_000_000  # of an answer


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteService:
    """A service: an :class:`~dispatch.travel.atlas.Asker` that asks an address.

    Parameters
    ----------
    address : str
        ``http://`` or ``https://``; a path is kept.
    patience_s : float
        How long it may take over one answer.
    """

    address: str
    patience_s: float = PATIENCE_S

    @property
    def network(self) -> str:
        """A short id: the same for the same address.

        Returns
        -------
        str
            Letters and digits.
        """
        return hashlib.sha256(self.address.encode()).hexdigest()[:16]

    @property
    def credit(self) -> str:
        """Whose data it is.

        Returns
        -------
        str
            The host alone: what is in an address besides may be secret.
        """
        host = urllib.parse.urlsplit(self.address).hostname or ""
        return f"route service at {host}, © OpenStreetMap contributors"

    @property
    def bounds(self) -> None:
        """The region: nobody says.

        Returns
        -------
        None
            Always.
        """
        return None

    @property
    def pairs_at_once(self) -> int:
        """How many drives may be asked for in one question.

        Returns
        -------
        int
            As the engine's services allow by default.
        """
        return MOST_PLACES**2

    def ask(
        self,
        what: str,
        question: Mapping[str, Any],
        *,
        slowly: bool = False,  # noqa: ARG002 - it decides by itself
    ) -> Any:  # noqa: ANN401 - JSON
        """Ask one question.

        Parameters
        ----------
        what : str
            'locate', 'sources_to_targets' or 'route'.
        question : mapping
            Its JSON.
        slowly : bool, optional
            Of no meaning here.

        Returns
        -------
        any
            The answer's JSON.

        Raises
        ------
        Refused
            When the service says that there is no answer to that.
        Unavailable
            When it does not answer, or not in JSON.
        """
        request = urllib.request.Request(  # noqa: S310 - see service_at
            f"{self.address.rstrip('/')}/{what}",
            data=json.dumps(dict(question)).encode(),
            headers={"Content-Type": "application/json", "Accept": "application/json"},
        )
        try:
            with _opener().open(request, timeout=self.patience_s) as answer:
                return json.loads(answer.read(LARGEST_BYTES))
        except urllib.error.HTTPError as error:
            with error:
                words = _words(error)
            if error.code == 400 and words:  # noqa: PLR2004 - the engine says why
                raise Refused(words) from None
            raise self._silent(f"it answered {error.code}") from None
        except TimeoutError:
            raise self._silent(f"no answer within {self.patience_s:g} s") from None
        except urllib.error.URLError as error:
            raise self._silent(f"{error.reason}") from None
        except (OSError, ValueError) as error:
            raise self._silent(str(error) or type(error).__name__) from None

    def _silent(self, why: str) -> Unavailable:
        host = urllib.parse.urlsplit(self.address).netloc.rpartition("@")[2]
        return Unavailable(
            f"the route service at {host} did not answer ({why}); start it or correct "
            "the address, or leave 'roads' out of day.toml: driving times are then "
            "estimated along straight lines"
        )


class _Stay(urllib.request.HTTPRedirectHandler):
    """Places go to the address that was configured, and to no other."""

    def redirect_request(self, *_: object) -> None:
        return None


def _opener() -> urllib.request.OpenerDirector:
    return urllib.request.build_opener(_Stay)


def _words(error: urllib.error.HTTPError) -> str:
    """Return what the engine says about a question that it refuses."""
    try:
        told = json.loads(error.read(10_000))
        return str(told["error"]) if "error_code" in told else ""
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def service_at(address: str) -> RouteService:
    """Return the service at an address.

    Parameters
    ----------
    address : str
        As the owner wrote it.

    Returns
    -------
    RouteService
        Nothing was asked yet.

    Raises
    ------
    InvalidInput
        When it is no address.
    """
    parts = urllib.parse.urlsplit(address)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise InvalidInput(
            [
                Fault(
                    file="day.toml",
                    column="travel.roads",
                    got=f"'{address}'",
                    expected="an address that begins with http:// or https://",
                )
            ]
        )
    return RouteService(address=address)
