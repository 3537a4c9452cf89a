// How the office page talks with the service. Signed in by the cookie, which no script
// reads; what is fetched stays in the browser's own cache under its ETag.

const PATIENCE_MS = 30_000;

// How far the service's clock is ahead of this one.
let ahead_ms = 0;
export const now = () => Date.now() + ahead_ms;

// The service said no, and why.
export class Refusal extends Error {
  constructor(status, problem) {
    super(problem.detail || problem.title || `The service answered ${status}.`);
    this.status = status;
    this.faults = problem.faults ?? [];
  }
}

// Nothing came back: no network, or the service is down.
export class NoLink extends Error {}

async function ask(method, path, body = undefined, headers = {}) {
  let answer;
  try {
    answer = await fetch(path, {
      method,
      headers: body === undefined ? headers : { "Content-Type": "application/json", ...headers },
      body: body === undefined ? undefined : JSON.stringify(body),
      credentials: "same-origin",
      redirect: "error",
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
  } catch (error) {
    throw new NoLink("The service does not answer.", { cause: error });
  }
  let data = null;
  if (answer.status !== 204) {
    try {
      data = await answer.json();
    } catch (error) {
      if (answer.ok) throw new NoLink("The answer was cut off.", { cause: error });
    }
  }
  if (!answer.ok) throw new Refusal(answer.status, data ?? {});
  return data;
}

// A key by which the service knows a request that is sent again.
export function freshKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

const keyed = (key) => ({ "Idempotency-Key": key });
const id = encodeURIComponent;
const day = (of) => `/v1/days/${id(of)}`;

async function all(path) {
  const items = [];
  let after = null;
  do {
    const mark = path.includes("?") ? "&" : "?";
    const next = after === null ? "" : `&after=${id(after)}`;
    const page = await ask("GET", `${path}${mark}limit=200${next}`);
    items.push(...page.items);
    after = page.next;
  } while (after !== null);
  return items;
}

// What need not be there: null instead of "no such thing" or "not yet".
async function perhaps(asked) {
  try {
    return await asked;
  } catch (error) {
    if (error instanceof Refusal && [404, 409].includes(error.status)) return null;
    throw error;
  }
}

export const signIn = (secret) => ask("POST", "/v1/session", { secret });
export async function session() {
  const found = await ask("GET", "/v1/session");
  ahead_ms = Date.parse(found.now_at) - Date.now();
  return found;
}
export const signOut = () => ask("DELETE", "/v1/session");

export const kinds = async () => (await ask("GET", "/v1/kinds")).items;
export const days = async () => (await ask("GET", "/v1/days?limit=60")).items;
export const dayOf = (of) => perhaps(ask("GET", day(of)));
export const loadDay = (files, key) => ask("POST", "/v1/days", { files }, keyed(key));
export const plan = (of) => perhaps(ask("GET", `${day(of)}/plan`));
export const calls = (of) => all(`${day(of)}/calls`);
export const vans = (of) => all(`${day(of)}/vans`);
export const parts = (of) => all(`${day(of)}/parts`);
export const rest = (of) => perhaps(ask("GET", `${day(of)}/rest`));
export const rings = (of) => all(`${day(of)}/rings`);
export const rung = (of, call, version) =>
  ask("POST", `${day(of)}/rings/${id(call)}/done`, { version });
export const check = (of) => perhaps(ask("GET", `${day(of)}/check`));

export const tell = (of, facts, sent_at) =>
  ask("POST", `${day(of)}/facts`, { sent_at, facts });

export const keepCode = (of, call, code, what) =>
  ask("PUT", `${day(of)}/calls/${id(call)}/code`, { code, what });
export const forgetCode = (of, call) => ask("DELETE", `${day(of)}/calls/${id(call)}/code`);

export const urgent = (of, call, danger) => ask("POST", `${day(of)}/urgent`, { call, danger });
export const accept = (of, inquiry, option, promise, key) =>
  ask("POST", `${day(of)}/urgent/${id(inquiry)}/accept`, { option, promise }, keyed(key));

export const seekPlace = (address) => ask("POST", "/v1/places", { address });
export const pinPlace = (pin, key) => ask("POST", "/v1/pins", pin, keyed(key));

export const jobs = (of) => ask("GET", `${day(of)}/jobs`);
export const job = (which) => ask("GET", `/v1/jobs/${id(which)}`);
export const startJob = (of, key) => ask("POST", `${day(of)}/jobs`, {}, keyed(key));
export const endJob = (which, keep) => ask("POST", `/v1/jobs/${id(which)}/cancel`, { keep });

export const keys = () => all("/v1/keys");
export const pair = (van_id, key) => ask("POST", "/v1/pairings", { van_id }, keyed(key));
export const revoke = (which) => ask("DELETE", `/v1/keys/${id(which)}`);

const NAMES = ["hello", "day", "plan", "sheet", "facts", "refused", "job", "call", "key", "reset"];

// Opens the stream of changes: `hear(name, data)` for each, `linked(true or false)` when
// the link comes and goes. The browser itself goes on after the last event it had.
export function listen(hear, linked) {
  let source;
  let again = null;
  function open() {
    source = new EventSource("/v1/events");
    source.onopen = () => linked(true);
    source.onerror = () => {
      linked(false);
      if (source.readyState === EventSource.CLOSED) again = setTimeout(open, 3_000);
    };
    for (const name of NAMES) {
      source.addEventListener(name, (event) => {
        let data = {};
        try {
          data = JSON.parse(event.data);
        } catch {
          // its name is enough
        }
        hear(name, data);
      });
    }
  }
  open();
  return () => {
    clearTimeout(again);
    source.close();
  };
}
