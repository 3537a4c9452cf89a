"""Put together everything a person gets to read about one day."""

from dispatch.evening import at_risk, cautions, tonight
from dispatch.stock import pick_lists
from dispatch.supply import purchases, shortages
from shared.model import Answer, Day, Plan


def answer(day: Day, plan: Plan) -> Answer:
    """Return a plan with all that surrounds its routes.

    Parameters
    ----------
    day : Day
        The day.
    plan : Plan
        Its plan, spares included.

    Returns
    -------
    Answer
        Pick lists, shortages, purchases, tonight's list, cautions and money at risk
        with it.
    """
    short = shortages(day, plan)
    return Answer(
        day=day,
        plan=plan,
        pick_lists=pick_lists(day, plan),
        shortages=short,
        purchases=purchases(day, plan, short),
        tonight=tonight(day, plan),
        cautions=cautions(day),
        at_risk=at_risk(day, plan),
    )
