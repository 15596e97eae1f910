// The tool as the endoscope sees it: a shaft from the channel's own opening beside the lens, and its end.

import {
  CylinderGeometry,
  Group,
  Mesh,
  Quaternion,
  SphereGeometry,
  Vector3,
  type BufferGeometry,
  BufferAttribute,
  type RawShaderMaterial,
} from "three";
import { softMaterial, type SharedUniforms } from "./bone_material";
import { add, scaled } from "../model/channel_geometry";
import type { EndoscopeLens } from "./endoscope_optics";
import { TOOL } from "../pictures/palette";
import type { Plan } from "../protocol/plan";

/** The shaft is drawn thinner than the end, and both let through what lies behind: a picture to learn from. */
const [SHAFT_FRAC, OPACITY] = [0.5, 0.5];

export class EndoscopeTool {
  readonly group = new Group();
  private readonly shaft: Mesh;
  private readonly end: Mesh;
  private readonly material: RawShaderMaterial;

  constructor(uniforms: SharedUniforms, layer: number) {
    this.material = softMaterial(uniforms, TOOL, OPACITY);
    this.shaft = new Mesh(faced(new CylinderGeometry(1, 1, 1, 24, 1, true).translate(0, 0.5, 0)), this.material);
    this.end = new Mesh(faced(new SphereGeometry(1, 24, 16)), this.material);
    this.group.add(this.shaft, this.end);
    this.group.traverse((part) => part.layers.set(layer));
    this.shaft.renderOrder = this.end.renderOrder = 30;
  }

  /** The opening lies toward 6 o'clock of the lens; the tool runs along the channel to its working distance. */
  place(plan: Plan, lens: EndoscopeLens): void {
    const { channel } = plan;
    const radius = channel.tool_diameter_mm / 2;
    const beside = Math.max(channel.scope_diameter_mm / 2 - radius, 0);
    const start = new Vector3(...add(lens.tip, scaled(lens.up, -beside)));
    const axis = new Vector3(...lens.axis);
    this.shaft.position.copy(start);
    this.shaft.quaternion.copy(new Quaternion().setFromUnitVectors(new Vector3(0, 1, 0), axis));
    this.shaft.scale.set(SHAFT_FRAC * radius, Math.max(channel.working_distance_mm - radius, 0.1), SHAFT_FRAC * radius);
    this.end.position.copy(start).addScaledVector(axis, Math.max(channel.working_distance_mm - radius, 0.1));
    this.end.scale.setScalar(radius);
  }

  dispose(): void {
    this.shaft.geometry.dispose();
    this.end.geometry.dispose();
    this.material.dispose();
  }
}

/** With the normals as the materials here read them. */
export function faced<G extends BufferGeometry>(geometry: G): G {
  const normals = geometry.getAttribute("normal");
  const facing = new Int8Array(normals.count * 4);
  for (let i = 0; i < normals.count; i++) {
    facing.set([normals.getX(i) * 127, normals.getY(i) * 127, normals.getZ(i) * 127, 0], 4 * i);
  }
  geometry.setAttribute("facing", new BufferAttribute(facing, 4, true));
  return geometry;
}
