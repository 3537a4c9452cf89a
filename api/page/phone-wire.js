// How the phone talks with the service. Signed in by the cookie, which no script reads.

const PATIENCE_MS = 15_000; // poor coverage: longer, and it was lost

// The service said no, and why.
export class Refusal extends Error {
  constructor(status, problem, retry_s) {
    super(problem.detail || problem.title || `the service answered ${status}`);
    this.status = status;
    this.faults = problem.faults ?? [];
    this.retry_s = retry_s;
  }
}

// Nothing came back: no coverage, or the service is down.
export class NoLink extends Error {}

// What is asked again in any case is given up once the link is another one: over the old
// one an answer may never come.
let link = new AbortController();
export function anew() {
  link.abort();
  link = new AbortController();
}

// Older browsers wait for the patience to end.
const patience = (signal) => {
  const end = AbortSignal.timeout(PATIENCE_MS);
  return signal && AbortSignal.any ? AbortSignal.any([end, signal]) : end;
};

async function ask(method, path, { body, headers = {}, signal } = {}) {
  let answer;
  try {
    answer = await fetch(path, {
      method,
      headers: body === undefined ? headers : { "Content-Type": "application/json", ...headers },
      body: body === undefined ? undefined : JSON.stringify(body),
      credentials: "same-origin",
      cache: "no-store", // what is kept is kept in one place: the pocket
      redirect: "error",
      signal: patience(signal),
    });
    if (answer.ok || answer.status === 304) return answer;
  } catch (error) {
    throw new NoLink(String(error));
  }
  // A gateway on the way may answer for a service that is down.
  if (answer.status === 502 || answer.status === 504) throw new NoLink(String(answer.status));
  let problem = {};
  try {
    problem = await answer.json();
  } catch {
    // not a problem document: the status says enough
  }
  throw new Refusal(answer.status, problem, Number(answer.headers.get("Retry-After")) || null);
}

async function read(answer) {
  try {
    return await answer.json();
  } catch (error) {
    throw new NoLink(String(error)); // broken off on the way
  }
}

const day = (id) => `/v1/days/${encodeURIComponent(id)}`;

export const pair = async (code) => read(await ask("POST", "/v1/session", { body: { code } }));
export const session = async () => read(await ask("GET", "/v1/session"));
export const leave = () => ask("DELETE", "/v1/session");

// The sheet that counts now; null when it is the one with this ETag.
export async function sheet(van, etag) {
  const path = `/v1/vans/${encodeURIComponent(van)}/sheet`;
  const headers = etag ? { "If-None-Match": etag } : {};
  const answer = await ask("GET", path, { headers, signal: link.signal });
  const plan = answer.headers.get("Keyround-Plan") ?? "";
  const date = answer.headers.get("Date");
  if (answer.status === 304) return { body: null, etag, plan, date };
  return { body: await read(answer), etag: answer.headers.get("ETag"), plan, date };
}

// Tells facts; those that were told before do no harm.
export const tell = async (dayId, sent_at, facts) =>
  read(await ask("POST", `${day(dayId)}/facts`, { body: { sent_at, facts }, signal: link.signal }));

// Asks for a code; whoever calls this shows it and forgets it.
export const reveal = async (dayId, call) =>
  read(await ask("POST", `${day(dayId)}/calls/${encodeURIComponent(call)}/code/reveal`));

const NAMES = ["hello", "day", "sheet", "facts", "refused", "reset"];

// Opens the stream of changes after an event; `hear(name, data, id)` for each,
// `lost()` when the browser gives it up.
export function listen(after, hear, lost) {
  const path = after === null ? "/v1/events" : `/v1/events?after=${encodeURIComponent(after)}`;
  const source = new EventSource(path);
  for (const name of NAMES) {
    source.addEventListener(name, (event) => {
      let data = {};
      try {
        data = JSON.parse(event.data);
      } catch {
        // its name is enough
      }
      hear(name, data, event.lastEventId || (name === "hello" ? String(data.at ?? "") : ""));
    });
  }
  source.onerror = () => {
    if (source.readyState === EventSource.CLOSED) lost();
  };
  return source;
}
