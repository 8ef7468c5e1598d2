/* Requests to the service; a missing answer is kept apart from a fault of a script. */

/** No whole answer of the service came. A browser reports that with a TypeError, the kind of error
    that a fault of a script raises too, so that the kind alone decides nothing. */
export class NoAnswer extends Error {}

/** The whole answer: `ok`, `status`, `text`. */
export async function request(address, options) {
  try {
    const answer = await fetch(address, options);
    return { ok: answer.ok, status: answer.status, text: await answer.text() };
  } catch (problem) {
    throw new NoAnswer(problem.message);
  }
}

/** JSON of an answer; a network that wants a login answers in the service's place, with a page. */
export function parseJson(answer) {
  try {
    return JSON.parse(answer.text);
  } catch {
    throw new NoAnswer("the server answered " + answer.status + " without saying what");
  }
}

const AGAIN_MS = 1_000;

async function inTime(address, headers) {
  const answer = await request(address, { headers });
  if (answer.status !== 202) return answer;
  await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
  return inTime(address, headers);
}

/** JSON at an address; `query` replaces its parameters of the same names. What takes the service
    long is requested again until it is there (RFC 7240, respond-async). */
export async function fetchJson(address, { accept = "application/json", query = {} } = {}) {
  const whole = new URL(address, document.baseURI);
  Object.entries(query).forEach(([name, values]) => {
    whole.searchParams.delete(name);
    [].concat(values).forEach((value) => whole.searchParams.append(name, value));
  });
  const answer = await inTime(whole, { Accept: accept, Prefer: "respond-async" });
  if (!answer.ok) throw new NoAnswer("The server answered " + answer.status);
  return parseJson(answer);
}

/** For the second argument of `then`: a fault of a script is thrown on, so that it is noticed. */
export function unlessNoAnswer(handle) {
  return (problem) => {
    if (!(problem instanceof NoAnswer)) throw problem;
    return handle(problem);
  };
}
