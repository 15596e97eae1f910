// What the user must be told at once: a question that was refused, a connection that broke.

import type { Part } from "./desk";
import { button, h, say } from "./elements";

const LOST = "Connection lost \u2013 trying again; nothing is lost.";

export const notices: Part = (root, { store }) => {
  const words = h("span", {});
  const problem = h("div", { class: "notice problem", hidden: true }, words,
    button("Dismiss", () => store.set({ problem: "" })));
  const link = h("div", { class: "notice" });
  root.append(h("div", { id: "problem", role: "alert" }, problem), h("div", { id: "link", role: "status" }, link));
  const show = () => {
    say(words, store.state.problem && `! ${store.state.problem}`);
    problem.hidden = !store.state.problem;
    say(link, store.state.link === "down" ? LOST : "");
    link.hidden = store.state.link === "up";
  };
  store.subscribe((_, changed) => {
    if (changed.has("problem") || changed.has("link")) show();
  });
  show();
};
