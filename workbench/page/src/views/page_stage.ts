// The one stage of the page, its meshes fetched from the server.

import { anatomyOf } from "../solids/surface_meshes";
import type { Context } from "../session/context";
import { sceneHeader } from "../protocol/frame_headers";
import { FrameCache } from "../session/frame_cache";
import { Stage } from "./stage";

const stages = new WeakMap<Context, Stage>();

export function stageOf(context: Context): Stage {
  const found = stages.get(context) ?? made(context);
  stages.set(context, found);
  return found;
}

function made(context: Context): Stage {
  const anatomies = new FrameCache("scene.bin", sceneHeader, anatomyOf);
  return new Stage(context.store, (level) => anatomies.of(level));
}
