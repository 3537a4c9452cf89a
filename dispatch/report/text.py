"""An answer for the terminal: 80 columns, calm, in the order a day is worked.

Every line makes sense when it is read aloud, nothing is cut off, and nothing that
somebody typed can steer the terminal.
"""

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from dispatch.evening import Broken, broken
from dispatch.report.page import NARROWEST, Column, Page, alarm, measure
from dispatch.report.words import (
    FIRM,
    PROVISIONAL,
    PROVISIONAL_WORDS,
    SHEET_LIMITS,
    Visit,
    access_words,
    again_words,
    arrival_words,
    broken_title,
    broken_words,
    calls_words,
    clean,
    codes_words,
    count,
    count_calls,
    credit_words,
    date_words,
    dates_words,
    due_words,
    fetch_at,
    group_reasons,
    handovers,
    held_ids,
    is_tight,
    join,
    kept_words,
    lead_words,
    limit_words,
    line_uses,
    link_words,
    name_kind,
    name_part,
    name_van,
    on_time_words,
    outlook_words,
    pin_lines,
    place_words,
    promise_words,
    rather_words,
    slack_words,
    sort_evening,
    span,
    span_words,
    split_words,
    status_words,
    sums_words,
    swap_words,
    title_words,
    tool_words,
    travel_words,
    visits,
    wait_words,
    way_to,
    wish_words,
)
from dispatch.supply import counter_name
from shared.model import (
    Answer,
    Caution,
    Day,
    Outlook,
    PickLine,
    PickList,
    Purchase,
    Purpose,
    ReadyKind,
    Reason,
    Route,
    Shortage,
    StopKind,
    Store,
    Tonight,
)
from shared.units import cents, money

if TYPE_CHECKING:  # whoever has shelves or a van check has imported it
    from dispatch.shelves import ParLine, ShelfOrder, Shelves, VanShelf
    from dispatch.vancheck import PartCheck, VanCheck

_STOP_COLUMNS = (4, 18, 35, 46, 61)
_PICK_COLUMNS = (
    Column(title="Bin", width=8),
    Column(title="Load", width=4, right=True),
    Column(title="Aboard", width=6, right=True),
    Column(title="Part", width=0),
)


def plan_text(
    answer: Answer,
    width: int = 80,
    *,
    encoding: str = "utf-8",
    bold: bool = False,
    provisional: bool = False,
) -> str:
    """Return an answer as text for a terminal or a file.

    Parameters
    ----------
    answer : Answer
        What was planned.
    width : int, optional
        Columns; no line is wider. Less than 72 is taken as 72.
    encoding : str, optional
        What the reader can show, such as ``sys.stdout.encoding``; other characters
        are written in simpler ones.
    bold : bool, optional
        Whether headings carry terminal codes for bold.
    provisional : bool, optional
        Whether the day will be planned anew: said at the top.

    Returns
    -------
    str
        Lines that end in a line feed.
    """
    page = Page(width, encoding, bold=bold)
    if provisional:
        page.say(PROVISIONAL_WORDS, bold=True)
    _plan(page, answer)
    return page.text()


def _plan(page: Page, answer: Answer, state: str = "") -> None:
    _open(page, answer, state)
    _vans(page, answer)
    _shared(page, answer)
    for number, route in enumerate(answer.plan.routes):
        _route(page, answer, route)
        if number < len(answer.pick_lists):
            _picks(page, answer, answer.pick_lists[number])
    _unplaced(page, answer)
    _conflicts(page, answer)
    _missing(page, answer)
    _at_risk(page, answer)
    _evening(page, answer)
    _close(page, answer)


def _open(page: Page, answer: Answer, state: str) -> None:
    day = answer.day
    title = f"{date_words(day)}, times in {day.zone.key}"
    if state:
        page.head(f"{title}: {state}")
    else:
        page.say(title, bold=True)
    for words in (day.name, day.note):
        if clean(words):
            page.say(words)
    if not state:  # of several days they stand before the first one
        alarm(page, answer.cautions)
    page.gap()
    page.say(sums_words(answer) + ".")
    _broken(page, answer)
    if day.calls:
        page.say(status_words(answer.plan))
    split = split_words(answer.plan.routes)
    if split:
        page.say(f"Cost in detail: {split}.")
    for words in (
        *kept_words(answer.kept),
        *wish_words(answer.wish),
        day.learnt,
        credit_words(day),
    ):
        if words:
            page.say(words)
    _notices(page, day)


def _broken(page: Page, answer: Answer, *, provisional: bool = False) -> None:
    """Say which promises are broken, before anything else about the plan."""
    day = answer.day
    entries = broken(day, answer.plan)
    if not entries:
        return
    calls = {call.id: call for call in day.calls}
    page.gap()
    page.say(broken_title(len(entries), provisional=provisional), bold=True)
    for entry in entries:
        who = clean(calls[entry.call_id].customer)
        page.say(
            f"call {entry.call_id}{f', {who}' if who else ''}: "
            f"{broken_words(day, entry)} (van {entry.van_id})",
            4,
            mark="  -",
        )
    page.gap()


def _notices(page: Page, day: Day) -> None:
    """Say what was left aside: a misspelt 'promise' makes another plan."""
    if day.notices:
        page.gap()
    for notice in day.notices:
        page.say(f"Notice: {notice}", hang=2)


def _vans(page: Page, answer: Answer) -> None:
    day, routes = answer.day, answer.plan.routes
    if len(routes) > 1:
        clock = day.clock
        drivers = {van.id: van.driver for van in day.vans}
        held = held_ids(day)
        page.gap()
        page.table(
            (
                Column(title="Van", width=10),
                Column(title="Driver", width=0),
                Column(title="Calls", width=5, right=True),
                Column(title="Out", width=5),
                Column(title="Back", width=5),
                Column(title=day.distance.title(), width=6, right=True),
                Column(title="Overtime", width=8, right=True),
                Column(title="Cost", width=8, right=True),
            ),
            (
                (
                    route.van_id,
                    drivers[route.van_id],
                    str(len(set(route.call_ids) - held)),
                    clock.hhmm(route.leave_s),
                    clock.hhmm(route.finish_s),
                    day.distance.number(route.distance_m),
                    span_words(route.overtime_s) if route.overtime_s else "",
                    money(cents(route.cost_units)),
                )
                for route in routes
            ),
            indent=0,
        )
    out = {route.van_id for route in routes}
    idle = [name_van(van) for van in day.vans if van.id not in out]
    if idle:
        page.gap()
        page.say(f"Without calls: {'; '.join(idle)}.")


def _shared(page: Page, answer: Answer) -> None:
    """Say what vans hand each other before they leave, and who has which tool."""
    day, plan = answer.day, answer.plan
    handed = handovers(plan)
    if handed:
        page.head("Hand over before leaving")
        for entry in handed:
            uses = f", for {calls_words(entry.call_ids)}" if entry.call_ids else ""
            page.say(
                f"{entry.quantity} \u00d7 {name_part(day, entry.part_id)} "
                f"({entry.part_id}), from van {entry.from_van} to van "
                f"{entry.to_van}{uses}",
                4,
                mark="  -",
            )
    if plan.tools:
        page.head("Tools the vans share")
        for use in plan.tools:
            page.say(
                f"{use.tool_id}: van {use.van_id}, {tool_words(answer, use)}",
                4,
                mark="  -",
            )


def _route(page: Page, answer: Answer, route: Route) -> None:
    day = answer.day
    clock = day.clock
    van = next(van for van in day.vans if van.id == route.van_id)
    page.head(f"Van {name_van(van)}")
    page.say(
        f"Out {clock.hhmm(route.leave_s)} from {place_words(day, van)}, "
        f"back {clock.hhmm(route.finish_s)} at {place_words(day, van, finish=True)}."
    )
    facts = [
        day.distance.say(route.distance_m),
        f"driving {span_words(route.drive_s)}",
        f"work {span_words(route.work_s)}",
        f"waiting {span_words(route.wait_s)}",
    ]
    if route.overtime_s:
        facts.append(
            f"overtime {span_words(route.overtime_s)} past "
            f"{clock.hhmm(van.shift.end_s)}"
        )
    facts.append(f"cost {money(cents(route.cost_units))}")
    extra = split_words([route], usual=False)
    page.say(", ".join(facts) + (f" (with {extra})." if extra else "."))
    limits = limit_words(van, route)
    if limits:
        page.say(f"Limits: {'; '.join(limits)}.")
    late = {entry.call_id: entry for entry in broken(day, answer.plan)}
    already_there = False
    for visit in visits(day, route):
        page.gap()
        page.say(_title(day, visit), 4, mark=f"{visit.mark:>2}", bold=True)
        way = way_to(answer, van.id, visit.stop)
        ferry = way is not None and way.by_ferry
        _arrive(page, day, visit, already_there=already_there, ferry=ferry)
        if visit.call is not None:
            _visit(page, answer, visit, late.get(visit.call.id))
        else:
            page.grid(
                (
                    f"start {clock.hhmm(visit.stop.start_s)}",
                    f"finish {clock.hhmm(visit.stop.finish_s)}",
                ),
                _STOP_COLUMNS,
            )
        if visit.store is not None:
            _restock(page, answer, van.id, visit.store)
        already_there = visit.stop.kind is StopKind.BREAK and visit.stop.drive_s > 0
    if van.finish is not None:
        home = way_to(answer, van.id, None)
        page.gap()
        page.say(f"Back to {place_words(day, van, finish=True)}", 4)
        page.grid(
            (
                f"leave {clock.hhmm(route.stops[-1].finish_s)}",
                f"drive {span_words(route.last_drive_s)}",
                day.distance.say(route.last_drive_m),
                f"arrive {clock.hhmm(route.finish_s)}",
                "by ferry" if home is not None and home.by_ferry else "",
            ),
            _STOP_COLUMNS,
        )


def _title(day: Day, visit: Visit) -> str:
    words = title_words(day, visit)
    if visit.stop.kind is StopKind.BREAK:
        words += f", {span_words(visit.stop.finish_s - visit.stop.start_s)}"
    return words


def _visit(page: Page, answer: Answer, visit: Visit, late: Broken | None) -> None:
    day, stop, call = answer.day, visit.stop, visit.call
    if call is None:
        return
    clock = day.clock
    slack = ""
    if stop.slack_s is not None and late is None:
        slack = f"slack {slack_words(stop.slack_s)}"
        if is_tight(day, call, stop):
            slack += ", tight"
    promise = promise_words(day, call) if late is None else ""
    fits = measure(promise) < _STOP_COLUMNS[4] - _STOP_COLUMNS[2]
    page.grid(
        (
            f"start {clock.hhmm(stop.start_s)}",
            f"finish {clock.hhmm(stop.finish_s)}",
            promise if fits else "",
            "",
            slack,
        ),
        _STOP_COLUMNS,
    )
    if not fits:
        page.say(promise, 4, 2)
    if late is not None:
        page.say(f"PROMISE BROKEN: {broken_words(day, late)}", 4, 2, bold=True)
    chances = (on_time_words, arrival_words, again_words)
    foretold = ", ".join(filter(None, (say(answer, call.id) for say in chances)))
    for words in (
        foretold,
        *link_words(answer, call.id),
        rather_words(day, call, stop),
    ):
        if words:
            page.say(words, 4, 2)
    who = [call.customer, call.place.name, call.phone and f"tel {call.phone}"]
    for words in (
        ", ".join(word for word in who if word),
        access_words(call),
        call.description,
        call.note and f"Note: {call.note}",
    ):
        if clean(words):
            page.say(words, 4, 2)


def _restock(page: Page, answer: Answer, van_id: str, store: Store) -> None:
    day = answer.day
    if store.opening is not None:
        page.say(f"open {span(day, store.opening)}", 4, 2)
    fetch = fetch_at(answer, van_id, store.id)
    for line in fetch.lines:
        where = f"bin {line.bin}: " if line.bin else ""
        uses = line_uses(day, line)
        page.say(
            f"{where}fetch {line.load} \u00d7 {line.name} ({line.part_id})"
            f"{f': {uses}' if uses else ''}",
            6,
            mark="    -",
        )
    for words in swap_words(answer, van_id, store.id):
        page.say(words, 6, mark="    -")
    if fetch.cost_cents:
        page.say(f"to pay there: {money(fetch.cost_cents)}", 4, 2)


def _arrive(
    page: Page, day: Day, visit: Visit, *, already_there: bool, ferry: bool
) -> None:
    stop, clock = visit.stop, day.clock
    wait = wait_words(day, visit)
    beside = wait if measure(wait) <= NARROWEST - _STOP_COLUMNS[4] else ""
    if stop.drive_s:
        page.grid(
            (
                f"leave {clock.hhmm(visit.leave_s)}",
                f"drive {span_words(stop.drive_s)}",
                day.distance.say(stop.drive_m),
                f"arrive {clock.hhmm(stop.arrive_s)}",
                ", ".join(filter(None, ("by ferry" if ferry else "", beside))),
            ),
            _STOP_COLUMNS,
        )
    elif already_there or wait:
        page.grid(
            (
                f"there {clock.hhmm(stop.arrive_s)}",
                "no drive" if visit.stop.kind is not StopKind.BREAK else "",
                "",
                "",
                beside,
            ),
            _STOP_COLUMNS,
        )
    if wait != beside:
        page.say(wait, 4, 2)


def _picks(page: Page, answer: Answer, picks: PickList) -> None:
    page.gap()
    if not picks.lines and not picks.gives and not picks.tools:
        page.say(f"Pick list for {picks.van_id}: no parts.", 2)
        return
    page.say(f"Pick list for {picks.van_id}", 2, bold=True)
    if picks.lines:
        page.table(
            _PICK_COLUMNS,
            (
                (
                    line.bin or "no bin",
                    str(line.load) if line.load else "-",
                    str(line.aboard) if line.aboard else "-",
                    _line_words(answer.day, line),
                )
                for line in picks.lines
            ),
        )
    for part_id, taker, pieces in picks.gives:
        page.say(
            f"hand over to van {taker}: {pieces} \u00d7 "
            f"{name_part(answer.day, part_id)} ({part_id})",
            4,
            mark="  -",
        )
    for use in picks.tools:
        page.say(f"{use.tool_id}: {tool_words(answer, use)}", 4, mark="  -")


def _line_words(day: Day, line: PickLine) -> str:
    """Return what one line of a pick list is and what it is for."""
    return f"{line.name} ({line.part_id}): {line_uses(day, line)}".removesuffix(": ")


def _unplaced(page: Page, answer: Answer) -> None:
    day = answer.day
    if not answer.plan.unplaced:
        return
    calls = {call.id: call for call in day.calls}
    left_out = [unplaced.call_id for unplaced in answer.plan.unplaced]
    page.head(f"Not planned: {count_calls(answer.day, left_out)}")
    for unplaced in answer.plan.unplaced:
        call = calls[unplaced.call_id]
        page.gap()
        page.say(
            f"{call.id}, {name_kind(day, call.kind)}, priority {call.priority}",
            2,
            bold=True,
        )
        who = [call.customer, call.place.name, call.phone and f"tel {call.phone}"]
        page.say(", ".join(word for word in who if word) or "no name given", 4, 2)
        if clean(call.description):
            page.say(call.description, 4, 2)
        page.say(promise_words(day, call), 4, 2)
        for words in (
            dates_words(call),
            *link_words(answer, call.id),
            rather_words(day, call),
        ):
            if words:
                page.say(words, 4, 2)
        _reasons(page, day, unplaced.reasons, 4)
        if call.barred is not None and call.barred.places:
            page.say("which one is meant? Its line for pins.csv:", 6, 2)
            for line in pin_lines(call):
                page.exact(line, 8)


def _reasons(page: Page, day: Day, reasons: Sequence[Reason], indent: int) -> None:
    for why in group_reasons(day, reasons):
        text = f"{why.who}: {why.text}" if why.who else why.text
        page.say(text, indent + 2, mark="-".rjust(indent + 1))
        if why.remedy:
            page.say(f"would help: {why.remedy}", indent + 2, 2)


def _conflicts(page: Page, answer: Answer) -> None:
    if not answer.plan.conflicts:
        return
    page.head("Calls that cannot all be served")
    for conflict in answer.plan.conflicts:
        page.say(f"{clean(conflict.text).rstrip('.')}.", 4, mark="  -")


def _at_risk(page: Page, answer: Answer) -> None:
    if not answer.at_risk:
        return
    page.head("Money at risk")
    for risk in answer.at_risk:
        page.say(
            f"call {risk.call_id}, {money(risk.cost_cents)}: {risk.text}",
            4,
            mark="  -",
        )


def _missing(page: Page, answer: Answer) -> None:
    if not answer.shortages and not answer.purchases:
        return
    page.head("Parts to get")
    if answer.shortages:
        page.gap()
        page.say("Short", 2, bold=True)
        for short in answer.shortages:
            _short(page, short, 4, answer.day)
    if answer.purchases:
        total = money(sum(purchase.cost_cents for purchase in answer.purchases))
        page.gap()
        page.say(f"Buy, {total} in all", 2, bold=True)
        for purchase in answer.purchases:
            page.say(
                f"{purchase.quantity} \u00d7 {purchase.name} ({purchase.part_id}), "
                f"{money(purchase.cost_cents)}",
                4,
                2,
            )
            for words in _purchase_words(answer.day, purchase):
                page.say(words, 6, 2)


def _short(page: Page, short: Shortage, indent: int, day: Day) -> None:
    missing = f"; {count(short.spares, 'spare')} missing" if short.spares else ""
    page.say(
        f"{short.name} ({short.part_id}): {short.wanted} wanted, "
        f"{short.available} in the vans and the shop{missing}",
        indent,
        2,
    )
    if short.call_ids:
        page.say(f"needed for {calls_words(short.call_ids)}", indent + 2, 2)
    if short.elsewhere:
        held = join(
            f"{number} at {counter_name(day, store)}"
            for store, number in short.elsewhere
        )
        page.say(f"elsewhere: {held}", indent + 2, 2)


def _purchase_words(day: Day, purchase: Purchase) -> tuple[str, ...]:
    """Return what a purchase is for, where it is, and when it can be here."""
    words = []
    if purchase.purpose is Purpose.SPARE:
        uses = f" for {calls_words(purchase.call_ids)}" if purchase.call_ids else ""
        words.append(f"spare{'' if purchase.quantity == 1 else 's'}{uses}")
    elif purchase.call_ids:
        words.append(f"needed for {calls_words(purchase.call_ids)}")
    lead = (
        f"lead time {lead_words(purchase.lead_time_s)}"
        if purchase.lead_time_s is not None
        else "lead time not known"
    )
    in_time = {True: ", in time", False: ", too late for this day", None: ""}
    where = f"at {counter_name(day, purchase.where)}, " if purchase.where else ""
    words.append(where + lead + in_time[purchase.in_time])
    return tuple(words)


def _evening(page: Page, answer: Answer) -> None:
    late = broken(answer.day, answer.plan)
    if not answer.tonight and not late:
        return
    evening = sort_evening(answer)
    page.head("Tonight")
    if late:
        page.gap()
        page.say("Broken promises, most urgent first", 2, bold=True)
        margin = 4 + max(measure(page.spell(entry.call_id)) for entry in late) + 2
        indent = margin if margin < page.width // 3 else 4
        for entry in late:
            mark = f"    {page.spell(entry.call_id)}" if indent == margin else ""
            if not mark:
                page.say(entry.call_id, 4)
            page.say(entry.ask, indent, mark=mark)
            _reasons(page, answer.day, entry.reasons, indent)
    for title, entries in (
        (codes_words(evening), evening.codes),
        ("Customers to ask", evening.customers),
        ("For the drivers", evening.drivers),
    ):
        if entries:
            page.gap()
            page.say(title, 2, bold=True)
            _errands(page, answer, entries)


def _errands(page: Page, answer: Answer, entries: Sequence[Tonight]) -> None:
    calls: dict[str, list[Tonight]] = {}
    for entry in entries:
        calls.setdefault(entry.call_id, []).append(entry)
    margin = 4 + max(measure(page.spell(call_id)) for call_id in calls) + 2
    for call_id, own in calls.items():
        indent = margin if margin < page.width // 3 else 4
        mark = f"    {page.spell(call_id)}" if indent == margin else ""
        if not mark:
            page.say(call_id, 4)
        asks = [entry.ask for entry in own]
        opening = _opening(asks)
        if opening:
            page.say(opening, indent, mark=mark)
            mark, indent = "", indent + 2
        for entry, ask in zip(own, asks, strict=True):
            start = mark or ("-".rjust(indent - 1) if opening else "")
            page.say(ask.removeprefix(opening), indent, mark=start)
            mark = ""
            if entry.by_s is not None and entry.item.lead_time_s:
                due = due_words(answer.day, entry.by_s)
                if entry.item.kind is ReadyKind.CODE:  # the ask says how long it takes
                    by = f"order {due}"
                else:
                    takes = lead_words(entry.item.lead_time_s)
                    by = f"start {due}, it takes {takes}"
                page.say(by, indent)


def _opening(asks: Sequence[str]) -> str:
    """Return the words that all asks of one call begin with, up to a colon."""
    if len(asks) < 2:  # noqa: PLR2004 - nothing is said twice
        return ""
    first = asks[0]
    heads = [first[: colon.end()] for colon in re.finditer(": ", first)]
    shared = [head for head in heads if all(ask.startswith(head) for ask in asks)]
    return max(shared, key=len, default="")


def _close(page: Page, answer: Answer) -> None:
    _care(page, "Take care", answer.cautions)
    page.head("About this plan")
    for words in (*travel_words(answer.day), SHEET_LIMITS):
        page.say(words, 2)


def _care(page: Page, title: str, cautions: Iterable[Caution]) -> None:
    others = [caution for caution in cautions if not caution.emergency]
    if others:
        page.head(title)
        for caution in others:
            words = clean(caution.text).rstrip(".")
            source = f" ({clean(caution.source)})" if caution.source else ""
            page.say(f"{words}{source}.", 4, mark="  -")


def outlook_text(
    outlook: Outlook, width: int = 80, *, encoding: str = "utf-8", bold: bool = False
) -> str:
    """Return the plans of several days: the first one in full, the others shorter.

    Parameters
    ----------
    outlook : Outlook
        What was planned.
    width : int, optional
        Columns; no line is wider. Less than 72 is taken as 72.
    encoding : str, optional
        As for :func:`plan_text`.
    bold : bool, optional
        Whether headings carry terminal codes for bold.

    Returns
    -------
    str
        Lines that end in a line feed.
    """
    page = Page(width, encoding, bold=bold)
    first, *later = outlook.answers
    cautions = {caution.id: caution for answer in later for caution in answer.cautions}
    known = {caution.id for caution in first.cautions}
    new = [caution for key, caution in cautions.items() if key not in known]
    alarm(page, (*first.cautions, *new))
    page.gap()
    page.say(outlook_words(outlook) + ".", bold=True)
    for answer in outlook.answers:
        state = FIRM if answer is first else PROVISIONAL
        page.say(
            f"{date_words(answer.day)}, {state}: {sums_words(answer)}", 4, mark="  -"
        )
        would = "" if answer is first else "WOULD BE "
        for entry in broken(answer.day, answer.plan):
            page.say(
                f"PROMISE {would}BROKEN, call {entry.call_id}: "
                f"{broken_words(answer.day, entry)}",
                6,
                bold=True,
            )
    _plan(page, first, FIRM)
    for answer in later:
        page.head(f"{date_words(answer.day)}: {PROVISIONAL}")
        _sketch(page, answer)
    _care(page, "Take care on the later days as well", new)
    return page.text()


def _sketch(page: Page, answer: Answer) -> None:
    """Show a later day shortly: who goes where when, and what cannot wait."""
    day, clock = answer.day, answer.day.clock
    page.say(sums_words(answer) + ".")
    for line in kept_words(answer.kept):
        page.say(line)
    _broken(page, answer, provisional=True)
    for route in answer.plan.routes:
        van = next(van for van in day.vans if van.id == route.van_id)
        page.gap()
        page.say(
            f"Van {name_van(van)}: out {clock.hhmm(route.leave_s)}, back "
            f"{clock.hhmm(route.finish_s)}, {day.distance.say(route.distance_m)}",
            2,
            bold=True,
        )
        for visit in visits(day, route):
            words = [f"{clock.hhmm(visit.stop.start_s)} {_title(day, visit)}"]
            if visit.call is not None:
                words += [visit.call.customer, visit.call.place.name]
            page.say(
                ", ".join(word for word in words if word),
                8,
                7,
                mark=f"    {visit.mark}",
            )
    _conflicts(page, answer)
    _at_risk(page, answer)
    soon = [
        entry
        for entry in answer.tonight
        if entry.by_s is not None and entry.item.lead_time_s
    ]
    if soon:
        page.gap()
        page.say("To start on in time", 2, bold=True)
        _errands(page, answer, soon)
    for purchase in answer.purchases:
        page.gap()
        page.say(
            f"Buy {purchase.quantity} \u00d7 {purchase.name} ({purchase.part_id}), "
            f"{money(purchase.cost_cents)}: "
            f"{'; '.join(_purchase_words(day, purchase))}",
            2,
            2,
        )


_PAR_COLUMNS = (
    Column(title="Bin", width=6),
    Column(title="Par", width=3, right=True),
    Column(title="Aboard", width=6, right=True),
    Column(title="Load", width=4, right=True),
    Column(title="Lasts", width=5, right=True),
    Column(title="At par", width=6, right=True),
    Column(title="Part", width=0),
)
_MATTERS = 3  # what a tired person reads


def shelves_text(
    day: Day,
    made: "Shelves",
    width: int = 80,
    *,
    encoding: str = "utf-8",
    bold: bool = False,
) -> str:
    """Return the shelves as text for a terminal or a file.

    Parameters
    ----------
    day : Day
        The day they were reckoned for.
    made : Shelves
        What should lie where.
    width : int, optional
        Columns; no line is wider. Less than 72 is taken as 72.
    encoding : str, optional
        What the reader can show; other characters are written in simpler ones.
    bold : bool, optional
        Whether headings carry terminal codes for bold.

    Returns
    -------
    str
        Lines that end in a line feed.
    """
    page = Page(width, encoding, bold=bold)
    page.say(
        "Shelves: every van has what it should carry."
        if made.done
        else f"Shelves for {date_words(day)}.",
        bold=True,
    )
    page.say(_money_words(made))
    _notices(page, day)
    _matters(page, made)
    for van in made.vans:
        _shelf(page, made, van)
    if made.moves:
        page.head("Move, with the next loading")
        for move in made.moves:
            to = f"to {move.to_van}" if move.to_van else "back to the shop"
            page.say(
                f"{move.quantity} \u00d7 {move.name} ({move.part_id}), from "
                f"{move.from_van} {to}",
                4,
                mark="  -",
            )
    if made.orders:
        total = sum(order.cents for order in made.orders)
        page.head(f"Buy: {money(total)} in all, the most pressing first")
        for order in made.orders:
            page.say(_order_words(order), 4, mark="  -")
    if made.dead:
        total = sum(dead.cents for dead in made.dead)
        days = count(made.rules.dead_days, "day")
        page.head(f"Dead stock: {money(total)} in parts unused for {days} or more")
        for dead in made.dead:
            used = (
                f"last used on {dead.last_used}"
                if dead.last_used
                else f"not used since the log begins, {dead.idle_days} days ago"
            )
            page.say(
                f"{dead.holder}: {dead.quantity} \u00d7 {dead.name} ({dead.part_id}), "
                f"{money(dead.cents)}, {used}",
                4,
                mark="  -",
            )
    page.head("How this was reckoned")
    page.say(_method_words(made))
    return page.text()


def _money_words(made: "Shelves") -> str:
    aboard = sum(van.aboard_cents for van in made.vans)
    words = (
        f"Par of all vans {money(made.par_cents)}; now aboard {money(aboard)}; two of "
        f"each part on each van would be {money(made.two_each_cents)}."
    )
    if made.par_cents < made.wished_cents or made.lost_cents_day > 0:
        words += (
            f" Without limits of money and room the par would be "
            f"{money(made.wished_cents)}; keeping them loses calls worth "
            f"{money(round(made.lost_cents_day))} a working day, and no choice within "
            f"them {'loses less' if made.proved else 'was found that loses less'}."
        )
    return words


def _matters(page: Page, made: "Shelves") -> None:
    """Say first what risks most."""
    lines = [
        (line, van) for van in made.vans for line in van.lines if line.lost_cents > 0
    ]
    lines.sort(key=lambda each: -each[0].lost_cents)
    if not lines:
        return
    page.head("What matters most")
    for number, (line, van) in enumerate(lines[:_MATTERS], start=1):
        page.say(
            f"{van.van_id}: {line.name} ({line.part_id}). The {line.aboard} aboard "
            f"{'lasts' if line.aboard == 1 else 'last'} to the next loading with a "
            f"chance of {_percent(line.chance_now)}; par {line.par}: "
            f"{join(_doing(made, van, line))}. Calls worth "
            f"{money(round(line.lost_cents))} are at risk.",
            5,
            mark=f"{number:3}",
        )


def _percent(chance: float) -> str:
    """Return a chance in points of 100, never rounded up."""
    return f"{int(100 * chance + 1e-9)} %"


def _doing(made: "Shelves", van: "VanShelf", line: "ParLine") -> list[str]:
    """Return what brings a van's pieces up to par."""
    words = [f"load {line.load}"] if line.load else []
    words += [
        f"{move.quantity} from {move.from_van}"
        for move in made.moves
        if move.to_van == van.van_id and move.part_id == line.part_id
    ]
    if line.lacking:
        words.append(f"{line.lacking} to buy")
    return words


def _shelf(page: Page, made: "Shelves", van: "VanShelf") -> None:
    driver = clean(van.driver)
    page.head(f"Van {van.van_id}" + (f", {driver}" if driver else ""))
    loads = "every day" if van.load_days == 1 else f"every {van.load_days} days"
    room = "" if van.space is None else f", fills {van.par_space} of {van.space}"
    page.say(
        f"Loads {loads} on the road. Par {money(van.par_cents)}{room}; now aboard "
        f"{money(van.aboard_cents)}. Learnt from {count(van.worked_days, 'day')}."
    )
    carried = [line for line in van.lines if line.par]
    if carried:
        page.gap()
        page.table(
            _PAR_COLUMNS,
            (
                (
                    line.bin or "no bin",
                    str(line.par),
                    str(line.aboard) if line.aboard else "-",
                    str(line.load) if line.load else "-",
                    _percent(line.chance_now),
                    _percent(line.chance),
                    _carried_words(made, van, line),
                )
                for line in carried
            ),
        )
    idle = [line for line in van.lines if not line.par and line.aboard]
    if idle:
        page.gap()
        page.say(
            "Aboard, and need not be: "
            + join(
                f"{line.aboard} \u00d7 {line.name} ({line.part_id})" for line in idle
            )
            + "."
        )
    given_up = [line for line in van.lines if not line.par and line.wished]
    if given_up:
        page.gap()
        page.say(
            "No money or room for: "
            + join(f"{line.name} ({line.part_id})" for line in given_up)
            + "."
        )


def _carried_words(made: "Shelves", van: "VanShelf", line: "ParLine") -> str:
    words = [word for word in _doing(made, van, line) if not word.startswith("load")]
    if line.wished > line.par:
        words.append(f"{line.wished} wished")
    about = f": {', '.join(words)}" if words else ""
    return f"{line.name} ({line.part_id}){about}"


def _order_words(order: "ShelfOrder") -> str:
    lead = "" if order.lead_s is None else f", there after {lead_words(order.lead_s)}"
    vans = f"{order.for_vans} for the vans, " if order.for_vans else ""
    return (
        f"{order.quantity} \u00d7 {order.name} ({order.part_id}), "
        f"{money(order.cents)}{lead}: {vans}the shop has {order.in_shop} left and "
        f"should have {order.shop_par}; calls worth {money(round(order.lost_cents))} "
        "at risk"
    )


def _method_words(made: "Shelves") -> str:
    level = made.rules.level
    wish = (
        "as many as are worth their money"
        if level is None
        else f"the fewest that last with a chance of {100 * level:g} %"
    )
    return (
        f"Par: {wish}, from one loading to the next. {made.uses} uses of parts in the "
        f"log from {made.since} to {made.until}; compound negative binomial demand "
        "with empirical Bayes pooling over vans and parts (sources in "
        "dispatch/demand.py). What is on order already is not known here: take it off. "
        "The log shows what was used, not what was asked for in vain; parts are "
        "reckoned one by one, substitutes do not count."
    )


def check_text(
    day: Day,
    check: "VanCheck",
    width: int = 80,
    *,
    encoding: str = "utf-8",
    bold: bool = False,
) -> str:
    """Return a van check as text for a terminal or a file.

    Parameters
    ----------
    day : Day
        The day that was looked at.
    check : VanCheck
        What was found.
    width : int, optional
        Columns; no line is wider. Less than 72 is taken as 72.
    encoding : str, optional
        What the reader can show; other characters are written in simpler ones.
    bold : bool, optional
        Whether headings carry terminal codes for bold.

    Returns
    -------
    str
        Lines that end in a line feed.
    """
    page = Page(width, encoding, bold=bold)
    page.say(
        "Van check: every call has a van with all it needs."
        if check.ready
        else "Van check: not everything is there yet.",
        bold=True,
    )
    _notices(page, day)
    if check.moves:
        page.head("Hand over before leaving")
        for move in check.moves:
            page.say(
                f"{move.quantity} \u00d7 {move.name} ({move.part_id}), from "
                f"{move.from_van} to {move.to_van}, for call {move.call_id}",
                4,
                mark="  -",
            )
    for van in check.vans:
        driver = clean(van.driver)
        page.head(f"Van {van.van_id}" + (f", {driver}" if driver else ""))
        page.say(f"{van.text[:1].upper()}{van.text[1:]}.")
        if van.parts:
            page.gap()
            page.table(
                _PICK_COLUMNS,
                (
                    (
                        part.bin or "no bin",
                        str(part.load) if part.load else "-",
                        str(part.aboard) if part.aboard else "-",
                        _part_words(part),
                    )
                    for part in van.parts
                ),
            )
    if check.calls:
        page.head("Calls not tied to one van")
        alike: dict[str, list[str]] = {}
        for call in check.calls:
            alike.setdefault(call.text, []).append(call.call_id)
        for text, call_ids in alike.items():
            page.say(f"{join(call_ids)}: {text}", 4, mark="  -")
    if check.short:
        page.head("Too few, all vans and the shop together")
        for short in check.short:
            _short(page, short, 2, day)
    return page.text()


def _part_words(part: "PartCheck") -> str:
    words = [f"for {calls_words(part.call_ids)}"] if part.call_ids else []
    if part.instead_of:
        words.append(f"instead of {join(part.instead_of)}")
    if part.spares:
        spare = count(part.spares, "spare")
        lacking = f", {part.spares_lacking} of them missing"
        words.append(spare + " wanted" + lacking * bool(part.spares_lacking))
    return f"{part.name} ({part.part_id}): {', '.join(words)}".removesuffix(": ")
