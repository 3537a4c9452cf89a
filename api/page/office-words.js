// Times, lengths and sums as the office reads them. Instants are milliseconds.

const formats = new Map();

function clockOf(zone) {
  if (!formats.has(zone)) {
    formats.set(
      zone,
      new Intl.DateTimeFormat("en-GB", {
        timeZone: zone,
        hour: "2-digit",
        minute: "2-digit",
        hourCycle: "h23",
      }),
    );
  }
  return formats.get(zone);
}

export const hhmm = (at_ms, zone) => clockOf(zone).format(at_ms);
export const span = (window, zone) => `${hhmm(window.from, zone)} to ${hhmm(window.until, zone)}`;

// The instant at which a date begins in its zone: the offset is looked up twice, since
// it may change between midnight here and midnight there.
export function midnight(date, zone) {
  const [year, month, day] = date.split("-").map(Number);
  const wanted = Date.UTC(year, month - 1, day);
  let at = wanted;
  for (let turn = 0; turn < 2; turn += 1) at = wanted - offsetAt(at, zone);
  return at;
}

function offsetAt(at_ms, zone) {
  const parts = new Intl.DateTimeFormat("en-GB", {
    timeZone: zone,
    year: "numeric",
    month: "numeric",
    day: "numeric",
    hour: "numeric",
    minute: "numeric",
    second: "numeric",
    hourCycle: "h23",
  }).formatToParts(at_ms);
  const of = Object.fromEntries(parts.map(({ type, value }) => [type, Number(value)]));
  return Date.UTC(of.year, of.month - 1, of.day, of.hour, of.minute, of.second) - at_ms;
}

// The instant of a clock time such as "11:15" on a date; null where it is none.
export function instant(date, zone, time) {
  const match = /^(\d{1,2}):(\d{2})$/.exec(time);
  if (!match) return null;
  const [hour, minute] = [Number(match[1]), Number(match[2])];
  if (hour > 23 || minute > 59) return null;
  const [year, month, day] = date.split("-").map(Number);
  const wanted = Date.UTC(year, month - 1, day, hour, minute);
  let at = wanted;
  for (let turn = 0; turn < 2; turn += 1) at = wanted - offsetAt(at, zone);
  return at;
}

export const localDate = (at_ms, zone) =>
  new Intl.DateTimeFormat("en-CA", { timeZone: zone }).format(at_ms);

// RFC 3339 in UTC, whole seconds.
export const rfc3339 = (at_ms) => `${new Date(at_ms).toISOString().slice(0, 19)}Z`;

export function length(seconds) {
  const minutes = Math.round(Math.abs(seconds) / 60);
  if (minutes < 60) return `${minutes} min`;
  const rest = minutes % 60;
  return `${Math.floor(minutes / 60)} h${rest ? ` ${String(rest).padStart(2, "0")}` : ""}`;
}

export const sum = (cents) =>
  `${cents < 0 ? "−" : ""}${Math.floor(Math.abs(cents) / 100)}.${String(Math.abs(cents) % 100).padStart(2, "0")}`;

export const distance = (metres, unit) =>
  `${(metres / (unit === "mi" ? 1609.344 : 1000)).toFixed(1)} ${unit === "mi" ? "mi" : "km"}`;

export const count = (n, one, many) => `${n} ${n === 1 ? one : many}`;

export const list = (words) =>
  words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;

export const STATES = {
  open: "to come",
  driving: "on the way",
  there: "on the spot",
  working: "at work",
  done: "done",
  no_show: "nobody there",
  cancelled: "cancelled",
};

export const DOING = {
  waiting: "free",
  driving: "driving",
  there: "on the spot",
  working: "at work",
  down: "off the road",
};

export const READY = {
  code: "code",
  authority: "proof of authority",
  keys_present: "all keys at hand",
  vehicle_place: "where the vehicle stands",
  signal: "signal there",
  battery: "battery support",
};
