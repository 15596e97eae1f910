// Notices at the top of the page: a request that was refused, a connection that broke.

import type { Part } from "../session/context";
import { button, h, setText } from "../dom/elements";

const LOST = "Connection lost \u2013 trying again; nothing is lost.";

export const notices: Part = (root, { store }) => {
  const words = h("span", {});
  const problem = h(
    "div",
    { class: "notice problem", hidden: true },
    words,
    button("Dismiss", () => store.set({ problem: "" })),
  );
  const link = h("div", { class: "notice" });
  root.append(h("div", { id: "problem", role: "alert" }, problem), h("div", { id: "link", role: "status" }, link));
  const show = () => {
    setText(words, store.state.problem && `! ${store.state.problem}`);
    problem.hidden = !store.state.problem;
    setText(link, store.state.link === "down" ? LOST : "");
    link.hidden = store.state.link === "up";
  };
  store.subscribe((_, changed) => {
    if (changed.has("problem") || changed.has("link")) show();
  });
  show();
};
