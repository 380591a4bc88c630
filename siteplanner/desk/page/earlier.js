/* Earlier versions of a layer's file, and the way back to one. */

import { byId, el, get, post } from "/page/server.js";

/* Show the versions of a file once its list is opened; ``back`` is called when one was put in place. */
export function showEarlier(box, id, back) {
  box.open = false;
  box.hidden = false;
  const inside = box.querySelector("div");
  inside.replaceChildren();
  box.ontoggle = async () => {
    if (!box.open) return;
    try {
      const found = await get(`/api/earlier/${id}`);
      const rows = found.versions.slice(0, 20).map(([number, changed]) => {
        const when = new Date(changed * 1000).toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "medium" });
        const put = async () => {
          try {
            await post(`/api/earlier/${id}`, { number });
            box.open = false;
            await back();
          } catch (refused) {
            inside.prepend(...refused.sentences.map((one) => el("p", { className: "sentence" }, one)));
          }
        };
        return el("li", {}, `${number}: as of ${when} `, el("button", { type: "button", "aria-label": `Go back to version ${number}`, onclick: put }, "Go back to this"));
      });
      inside.replaceChildren(...(rows.length ? [
        el("p", {}, `All of ${found.file} goes back, every layer of it; what it is now is kept too.`), el("ul", { className: "plain" }, ...rows),
      ] : [el("p", {}, `${found.file} has not been changed here.`)]));
    } catch (refused) {
      inside.replaceChildren(...refused.sentences.map((one) => el("p", { className: "sentence" }, one)));
    }
  };
}
