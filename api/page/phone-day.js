// The day as the driver has it: the sheet, and on top what was told since.

const AHEAD = ["open", "driving", "there"];
const all = (states, to) => Object.fromEntries(states.map((each) => [each, to]));

// From which state to which a fact takes a stop; as in shared/facts.py, and 'loaded'
// finishes a restock stop.
const MOVES = {
  left: { open: "driving" },
  arrived: all(AHEAD.slice(0, 2), "there"),
  started: all(AHEAD, "working"),
  done: all([...AHEAD, "working"], "done"),
  no_show: all(AHEAD, "no_show"),
  loaded: all(AHEAD, "done"),
};
const TURNS = new Set(["left", "arrived", "started"]);

const isBehind = (stop) => stop.state === "done" || stop.state === "no_show";
const isActive = (stop) => ["driving", "there", "working"].includes(stop.state);

const isOf = (stop, fact) =>
  (stop.kind === "call" && stop.call.id === fact.call_id) ||
  (stop.kind === "restock" && !fact.call_id && stop.restock.store_id === fact.store_id);

// The stops with their states, where the van is on the way home, and how late it said
// it is. `facts` are bodies, in the order they were told.
export function fold(sheet, facts) {
  const stops = sheet.stops.map((stop) => ({ ...stop }));
  let home = null;
  let late_s = null;
  let isDown = false;
  for (const fact of facts) {
    if (fact.kind === "late") late_s = fact.late_s;
    if (fact.kind === "van_down") isDown = true;
    if (fact.kind === "van_up") isDown = false;
    const moves = MOVES[fact.kind];
    if (moves === undefined) continue;
    if (!fact.call_id && !fact.store_id) {
      home = fact.kind === "left" ? "driving" : "there";
      continue;
    }
    const stop = stops.find((each) => isOf(each, fact) && moves[each.state] !== undefined);
    if (stop === undefined) continue;
    stop.state = moves[stop.state];
    if (TURNS.has(fact.kind)) {
      home = null;
      // Who sets off for another stop has turned away from the one before.
      for (const other of stops) {
        if (other !== stop && ["driving", "there"].includes(other.state)) other.state = "open";
      }
    }
  }
  // Nobody tells a break: it is over once something after it is under way.
  stops.forEach((stop, i) => {
    const isPast = stops.slice(i + 1).some((later) => later.kind !== "break" && later.state !== "open");
    if (stop.kind === "break" && isPast) stop.state = "done";
  });
  return { stops, home, late_s, isDown };
}

// What is now: the stop that is under way, else the first that is ahead; the breaks
// before it; what comes after; what is behind.
export function split(stops) {
  const ahead = stops.filter((stop) => !isBehind(stop));
  const now = ahead.find(isActive) ?? ahead.find((stop) => stop.kind !== "break") ?? null;
  const at = now === null ? ahead.length : ahead.indexOf(now);
  return {
    now,
    breaks: ahead.slice(0, at).filter((stop) => stop.kind === "break"),
    later: ahead.filter((stop, i) => stop !== now && !(stop.kind === "break" && i < at)),
    behind: stops.filter(isBehind),
    isFresh: stops.every((stop) => stop.state === "open"),
  };
}

// --- words ------------------------------------------------------------------------

// Times are shown as clocks show them where the day is, wherever this phone thinks it is.
let wall = null;
export function setZone(zone) {
  if (wall?.resolvedOptions().timeZone === zone) return;
  wall = new Intl.DateTimeFormat("en-GB", { timeZone: zone, hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
}
export const clockOf = (ms) => wall.format(ms);
export const clock = (at) => clockOf(Date.parse(at));
export const span = (each) => `${clock(each.start_at)} to ${clock(each.end_at)}`;
export const sayMinutes = (seconds) => {
  const minutes = Math.round(seconds / 60);
  if (minutes < 60) return `${minutes} min`;
  const rest = minutes % 60;
  return rest === 0 ? `${minutes / 60} h` : `${Math.floor(minutes / 60)} h ${rest} min`;
};
// As it can be seen on the road: short ones in tens of metres or yards.
export const sayDistance = (metres, unit) => {
  const [large, long, small, short] = unit === "mi" ? [1609.344, "mi", 0.9144, "yd"] : [1000, "km", 1, "m"];
  const tens = Math.max(10, 10 * Math.round(metres / small / 10));
  return metres < large / 2 ? `${tens} ${short}` : `${(metres / large).toFixed(1)} ${long}`;
};
export const dateOf = (ms, zone) =>
  new Intl.DateTimeFormat("en-CA", {
    timeZone: zone,
    year: "numeric",
    month: "2-digit",
    day: "2-digit",
  }).format(ms);

export const nameOf = (stop) => {
  if (stop.kind === "break") return "Break";
  if (stop.kind === "restock") return stop.restock.name;
  return stop.place?.name || stop.call.customer || `Call ${stop.call.id}`;
};

export const READY = {
  code: ["Code bought", "Code not bought yet"],
  authority: ["Customer knows to bring proof. Look at it at the door.", "Proof of the right to it: still open"],
  keys_present: ["All existing keys will be there", "Will all existing keys be there?"],
  vehicle_place: ["Where the vehicle stands is known", "Where does the vehicle stand?"],
  signal: ["Phone signal beside the vehicle", "Is there phone signal beside the vehicle?"],
  battery: ["Battery is fine or supported", "Weak battery: pack the charged battery support unit"],
};

const STEP_WORDS = {
  left: "Setting off",
  arrived: "Here",
  started: "Started",
  done: "Done",
  no_show: "Nobody there",
  loaded: "Loaded",
  late: "Late",
  spoiled: "Spoiled",
  used: "Used",
  received: "Taken in",
  van_down: "Off the road today",
  van_up: "Back on the road",
};

// A fact in words: what, where.
export function sayFact(fact, sheet) {
  const stop = sheet?.stops.find((each) => isOf(each, fact));
  const where = stop ? nameOf(stop) : (fact.call_id ?? fact.store_id ?? "");
  const parts = (fact.parts ?? []).map((each) => `${each.quantity} × ${each.part_id}`).join(", ");
  if (fact.kind === "late") {
    return fact.late_s === 0 ? "On time again" : `Late by ${sayMinutes(fact.late_s)}`;
  }
  const isHome = ["left", "arrived"].includes(fact.kind) && where === "";
  const words = isHome
    ? fact.kind === "left"
      ? "Setting off for home"
      : "Home"
    : STEP_WORDS[fact.kind];
  return [words, where && `: ${where}`, parts && ` (${parts})`].filter(Boolean).join("");
}

// What a new sheet changes for the driver, in short sentences; none: nothing to see.
export function compare(old, fresh) {
  if (!old || old.day !== fresh.day) return [];
  const key = (stop) => (stop.kind === "break" ? null : stop.key);
  const before = new Map(old.stops.filter(key).map((stop) => [stop.key, stop]));
  const after = new Map(fresh.stops.filter(key).map((stop) => [stop.key, stop]));
  const words = [];
  for (const [id, stop] of after) {
    if (!before.has(id) && !isBehind(stop)) words.push(`New: ${nameOf(stop)}, ${clock(stop.start_at)}.`);
  }
  for (const [id, stop] of before) {
    if (!after.has(id) && !isBehind(stop)) words.push(`Not yours any more: ${nameOf(stop)}.`);
  }
  const moved = [...after.values()].filter((stop) => {
    const was = before.get(stop.key);
    const by_ms = was ? Math.abs(Date.parse(stop.start_at) - Date.parse(was.start_at)) : 0;
    return stop.state === "open" && by_ms >= 300_000;
  });
  if (moved.length === 1) words.push(`${nameOf(moved[0])} is at ${clock(moved[0].start_at)} now.`);
  if (moved.length > 1) words.push(`${moved.length} stops have other times.`);
  const first = (sheet) => split(sheet.stops).now;
  const [was, is] = [first(old), first(fresh)];
  const wasPassed = was && isBehind(after.get(was.key) ?? { state: "open" });
  if (was && is && was.key !== is.key && !wasPassed) words.unshift(`Next is now ${nameOf(is)}.`);
  return words;
}
