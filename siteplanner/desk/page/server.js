/* What the page asks of the desk. Every answer that is no success throws what is wrong, in sentences. */

export class Refused extends Error {
  constructor(status, answer) {
    super((answer.sentences || ["The desk gives no answer that can be understood."]).join("\n"));
    this.status = status;
    this.sentences = this.message.split("\n");
    this.errors = answer.errors || [];
  }
}

async function ask(address, how = {}) {
  let answer;
  try {
    answer = await fetch(address, { credentials: "same-origin", ...how });
  } catch {
    throw new Refused(0, { sentences: ["The desk does not answer. Is it still running?"] });
  }
  const read = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Refused(answer.status, read);
  return read;
}

const send = (method) => (address, what = {}) =>
  ask(address, { method, headers: { "Content-Type": "application/json" }, body: JSON.stringify(what) });

export const get = ask;
export const post = send("POST");
export const put = send("PUT");

/* An element with its text and children; text is never taken as markup. */
export function el(tag, settings = {}, ...inside) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(settings)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name in made && name !== "list") made[name] = value;
    else made.setAttribute(name, value);
  }
  made.append(...inside.filter((one) => one !== null && one !== undefined));
  return made;
}

export const byId = (id) => document.getElementById(id);
