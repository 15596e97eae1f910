// The endoscope's view: what is seen at which clock position.

import type { Part } from "./desk";
import { h } from "./elements";
import { stageOf } from "./page_stage";
import { ScopeView } from "./scope_view";

export { scopeHook, type ScopeHook } from "./scope_view";

const NO_VIEW = "The endoscope's view needs WebGL 2, which this browser does not offer.";

export const scope: Part = (root, desk) => {
  const stage = stageOf(desk);
  if (stage.drawing) new ScopeView(root, stage, stage.drawing);
  else root.append(h("p", { class: "picture-words" }, NO_VIEW));
};
