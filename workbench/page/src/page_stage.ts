// The one stage of the page, whose solids come from the server.

import { anatomyOf, type Anatomy } from "./anatomy";
import type { Desk } from "./desk";
import { Loads } from "./loads";
import { Stage } from "./stage";

const stages = new WeakMap<Desk, Stage>();

export function stageOf(desk: Desk): Stage {
  const found = stages.get(desk) ?? made(desk);
  stages.set(desk, found);
  return found;
}

function made(desk: Desk): Stage {
  const anatomies = new Loads<Anatomy>("scene.bin", (frame) => anatomyOf(frame));
  return new Stage(desk.store, (level) => anatomies.of(level));
}
