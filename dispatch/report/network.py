"""A built road network, and the straight line that was fitted to it, as text."""

from pathlib import Path

from dispatch.travel.fit import Fitted, fit_lines
from dispatch.travel.network import Manifest


def network_text(
    manifest: Manifest, folder: Path, named: str, fitted: Fitted | None
) -> str:
    """Return what was built, and how well the straight line does without it.

    Parameters
    ----------
    manifest : Manifest
        Of the network.
    folder : Path
        Where it lies.
    named : str
        What a day names: the extract, or the folder.
    fitted : Fitted or None
        The straight line; ``None``: it could not be fitted.

    Returns
    -------
    str
        Plain text.
    """
    of = f", data of {manifest.data_date}" if manifest.data_date else ""
    lines = [
        f"Road network of {manifest.extract}{of}",
        f"  {manifest.credit}. Licence: {manifest.licence}.",
        f"  It lies in {folder}",
        "",
        "A day drives on it by these lines in its day.toml:",
        "  [travel]",
        f'  roads = "{named}"   # its path from the day\'s folder on',
    ]
    if fitted is None:
        return "\n".join(lines) + "\n"
    lines += [
        "",
        f"The straight line, held against {fitted.pairs:,} drives of this network that",
        f"it had not seen ({fitted.mean_s / 60:.1f} min on the average, empty roads),",
        "by its mean error:",
        f"  one constant factor        {fitted.factor_error_s / 60:5.2f} min",
        f"  as usual, not fitted       {fitted.usual_error_s / 60:5.2f} min",
        f"  fitted to this network     {fitted.error_s / 60:5.2f} min",
        "For days without a network, fitted:",
        "  [travel]",
        *(f"  {line}" for line in fit_lines(fitted)),
    ]
    return "\n".join(lines) + "\n"
