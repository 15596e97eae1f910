// The 3D view as a part of the page: with its drag handles, or a picture from the server where there is no WebGL.

import { SceneView } from "./scene_view";
import type { Part } from "../session/context";
import { dockDrag, entryDrag } from "./drag_handles";
import { servedPicture } from "./served_picture";
import { stageOf } from "./page_stage";

export const scenePanel: Part = (root, context) => {
  const stage = stageOf(context);
  if (!stage.drawing) {
    servedPicture(root, context);
    return;
  }
  new SceneView(root, stage, stage.drawing, (kind, anatomy, sight) =>
    kind === "dock" ? dockDrag(context, anatomy, sight) : entryDrag(context, anatomy, sight),
  );
};
