// The bench: bone, canal, channel and the bone to be removed in 3D, turned and pointed at by hand.

import { BenchView } from "./bench_view";
import type { Part } from "./desk";
import { dockDrag, entryDrag } from "./dragging";
import { withoutSolids } from "./fallback";
import { stageOf } from "./page_stage";

export { benchHook, type BenchHook } from "./bench_view";

export const bench: Part = (root, desk) => {
  const stage = stageOf(desk);
  if (!stage.drawing) return withoutSolids(root, desk);
  new BenchView(root, stage, stage.drawing, (kind, anatomy, sight) =>
    kind === "dock" ? dockDrag(desk, anatomy, sight) : entryDrag(desk, anatomy, sight),
  );
};
