// The endoscope's view as a part of the page, or why it cannot be shown.

import type { Part } from "../session/context";
import { h } from "../dom/elements";
import { stageOf } from "./page_stage";
import { EndoscopeView } from "./endoscope_view";

const NO_VIEW = "The endoscope's view needs WebGL 2, which this browser does not offer.";

export const endoscopePanel: Part = (root, context) => {
  const stage = stageOf(context);
  if (stage.drawing) new EndoscopeView(root, stage, stage.drawing);
  else root.append(h("p", { class: "picture-words" }, NO_VIEW));
};
