/* Asking the service; and no answer told apart from a fault of a script. */
(function (root) {
  "use strict";

  /** No whole answer of the service came. A browser says so with a TypeError, and by the same kind
      of error that a script is at fault, so that the kind alone tells nothing. */
  class NoAnswer extends Error {}

  /** What was answered, whole: `ok`, `status`, `text`. */
  async function reach(address, options) {
    try {
      const answer = await fetch(address, options);
      return { ok: answer.ok, status: answer.status, text: await answer.text() };
    } catch (problem) {
      throw new NoAnswer(problem.message);
    }
  }

  /** JSON of an answer; a network that asks for a login answers in the service's place, with a page. */
  function read(answer) {
    try {
      return JSON.parse(answer.text);
    } catch (_) {
      throw new NoAnswer("the server answered " + answer.status + " without saying what");
    }
  }

  /** JSON at an address. */
  async function fetched(address, accept) {
    const answer = await reach(address, { headers: { Accept: accept || "application/json" } });
    if (!answer.ok) throw new NoAnswer("The server answered " + answer.status);
    return read(answer);
  }

  /** For the second place of `then`: a fault of a script goes on to whoever looks for faults. */
  function unlessNoAnswer(say) {
    return (problem) => {
      if (!(problem instanceof NoAnswer)) throw problem;
      return say(problem);
    };
  }

  root.Rifflebook = root.Rifflebook || {};
  Object.assign(root.Rifflebook, { NoAnswer, reach, read, fetched, unlessNoAnswer });
})(self);
