// The channel as solids along its axis, one group a phase: sleeve, endoscope, tool, and the outline of the sweep.

import {
  BufferGeometry,
  CylinderGeometry,
  Group,
  LineBasicMaterial,
  LineSegments,
  Mesh,
  Quaternion,
  Vector3,
  type RawShaderMaterial,
} from "three";
import { softMaterial, type SharedUniforms } from "./bone_material";
import type { PlacedPhase } from "../model/channel_geometry";
import { phaseColour, TOOL } from "../pictures/palette";
import type { Plan } from "../protocol/plan";
import { faced } from "./endoscope_tool";

/** How much of the channel is drawn outside the skin, mm: enough to see to which side it leans. */
const OUTSIDE_MM = 30;

/** Corners of the drawn circles. */
const ROUND = 40;

/** Opacity of the phase that is edited, and of the others. */
const [NEAR, FAR] = [0.3, 0.1];

const DOWN = new Vector3(0, -1, 0);

/** A closed cylinder of radius and length 1, from the origin along -y. */
const unitCylinder = (): BufferGeometry => faced(new CylinderGeometry(1, 1, 1, ROUND, 1).translate(0, -0.5, 0));

export class ChannelModel {
  readonly group = new Group();
  readonly tool: Mesh;
  private readonly sleeve: Mesh;
  private readonly scope: Mesh;
  private readonly outline: LineSegments;
  private readonly glass: RawShaderMaterial[];

  constructor(uniforms: SharedUniforms, index: number, layer: number) {
    const [colour, cylinder] = [phaseColour(index), unitCylinder()];
    this.glass = [
      softMaterial(uniforms, colour, NEAR),
      softMaterial(uniforms, colour, NEAR),
      softMaterial(uniforms, TOOL, 0.8),
    ];
    const [sleeve, scope, tool] = this.glass;
    [this.sleeve, this.scope, this.tool] = [
      new Mesh(cylinder, sleeve),
      new Mesh(cylinder, scope),
      new Mesh(cylinder, tool),
    ];
    this.outline = new LineSegments(new BufferGeometry(), new LineBasicMaterial({ color: colour, transparent: true }));
    this.group.add(this.sleeve, this.scope, this.tool, this.outline);
    [this.tool, this.scope, this.sleeve, this.outline].forEach((part, order) => (part.renderOrder = 20 + order));
    this.group.traverse((part) => part.layers.set(layer));
  }

  place(plan: Plan, phase: PlacedPhase, near: boolean): void {
    const { channel } = plan;
    const sleeveEnd = phase.sleeve_depth_mm + phase.sleeve_radius_mm;
    const tip = phase.tip_depth_mm + phase.tool_radius_mm;
    const scopeEnd = Math.max(tip - channel.working_distance_mm, sleeveEnd);
    lay(this.sleeve, phase, [-OUTSIDE_MM, sleeveEnd], phase.sleeve_radius_mm);
    lay(this.scope, phase, [sleeveEnd - 1, scopeEnd], channel.scope_diameter_mm / 2);
    lay(this.tool, phase, [scopeEnd - 1, tip], phase.tool_radius_mm);
    this.glass.forEach((material) => (material.uniforms["opacity"]!.value = near ? NEAR : FAR));
    (this.outline.material as LineBasicMaterial).opacity = near ? 0.95 : 0.45;
    this.outline.geometry.dispose();
    this.outline.geometry = outlineOf(phase);
  }

  dispose(): void {
    this.sleeve.geometry.dispose();
    this.outline.geometry.dispose();
    this.glass.forEach((material) => material.dispose());
  }
}

function lay(mesh: Mesh, phase: PlacedPhase, [from, to]: [number, number], radius: number): void {
  const axis = new Vector3(...phase.axis);
  mesh.position.set(...phase.pivot).addScaledVector(axis, from);
  mesh.quaternion.copy(new Quaternion().setFromUnitVectors(DOWN, axis));
  mesh.scale.set(radius, Math.max(to - from, 0.01), radius);
}

/** Lines round the swept region: circles at the pivot, at the sleeve's end and at the tip, and four lines along it. */
function outlineOf(phase: PlacedPhase): BufferGeometry {
  const slope = Math.tan((phase.sweep_deg * Math.PI) / 180);
  const rings: [number, number][] = [
    [0, phase.sleeve_radius_mm],
    [phase.sleeve_depth_mm + phase.sleeve_radius_mm, phase.sleeve_depth_mm * slope + phase.sleeve_radius_mm],
    [phase.sleeve_depth_mm + phase.sleeve_radius_mm, phase.sleeve_depth_mm * slope + phase.tool_radius_mm],
    [phase.tip_depth_mm + phase.tool_radius_mm, phase.tip_depth_mm * slope + phase.tool_radius_mm],
  ];
  const at = ringPoints(phase);
  const lines: Vector3[] = [];
  for (const [depth, radius] of [rings[0]!, rings[1]!, rings[3]!]) {
    for (let i = 0; i < ROUND; i++) lines.push(at(depth, radius, i / ROUND), at(depth, radius, (i + 1) / ROUND));
  }
  for (const turn of [0, 0.25, 0.5, 0.75]) {
    lines.push(at(...rings[0]!, turn), at(...rings[1]!, turn), at(...rings[2]!, turn), at(...rings[3]!, turn));
  }
  return new BufferGeometry().setFromPoints(lines);
}

function ringPoints(phase: PlacedPhase): (depth: number, radius: number, turn: number) => Vector3 {
  const [pivot, axis] = [new Vector3(...phase.pivot), new Vector3(...phase.axis)];
  const u = new Vector3(0, 0, 1).cross(axis).normalize();
  const v = axis.clone().cross(u);
  return (depth, radius, turn) =>
    pivot
      .clone()
      .addScaledVector(axis, depth)
      .addScaledVector(u, radius * Math.cos(2 * Math.PI * turn))
      .addScaledVector(v, radius * Math.sin(2 * Math.PI * turn));
}
