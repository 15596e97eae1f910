// The three.js scene of one level with a plan in it. Knows nothing of the page: the report's viewer uses it too.

import {
  BufferAttribute,
  BufferGeometry,
  Mesh,
  Points,
  PointsMaterial,
  Scene,
  Vector3,
  RawShaderMaterial,
  type PerspectiveCamera,
  type WebGLRenderer,
  type WebGLRenderTarget,
} from "three";
import type { Anatomy, SurfaceMesh } from "./surface_meshes";
import { boneMaterial, lookIn, softMaterial, SharedUniforms, type ViewTraits } from "./bone_material";
import { cutFaceOf } from "./cut_face";
import { ChannelModel } from "./channel_model";
import type { EndoscopeLens } from "./endoscope_optics";
import { placedPhases, type PlacedPhase } from "../model/channel_geometry";
import { isShown, SEEN_IN_SCOPE, STRUCTURES } from "../pictures/palette";
import type { RemovalVolumes } from "../protocol/frame_headers";
import type { Plan, Side, Vec3 } from "../protocol/plan";
import type { ClipPlane } from "../model/store";
import { EndoscopeTool } from "./endoscope_tool";

/** What only the bench shows, and what only the endoscope does. */
export const [ON_BENCH, IN_SCOPE] = [1, 2];

export type MeshDetail = "proxy" | "full";

interface BoneMesh {
  surface: SurfaceMesh;
  mesh: Mesh;
  inside: Mesh;
  detail: MeshDetail;
}

export class LevelScene {
  readonly scene = new Scene();
  phases: PlacedPhase[] = [];
  /** The face of the bone that is left where bone is taken; null while that is not known. */
  face: SurfaceMesh | null = null;
  private readonly uniforms = new SharedUniforms();
  private readonly looks = {
    planned: boneMaterial(this.uniforms, "planned"),
    afterwards: boneMaterial(this.uniforms, "afterwards"),
    cut: boneMaterial(this.uniforms, "cut"),
    inside: boneMaterial(this.uniforms, "inside"),
  };
  private readonly cutFace = new Mesh(new BufferGeometry(), this.looks.cut);
  private readonly bones: BoneMesh[] = [];
  private readonly soft: { mesh: Mesh; name: string; inScope: Mesh }[] = [];
  private readonly channels: ChannelModel[] = [];
  private readonly targets: Points;
  private readonly tool = new EndoscopeTool(this.uniforms, IN_SCOPE);
  /** Each look as pictures of several kinds show it, made when it is first drawn. */
  private readonly variants = new Map<RawShaderMaterial, Map<string, RawShaderMaterial>>();
  private shown: Record<string, boolean> = {};
  private cleared = false;
  private removed = false;
  private clipped = false;
  private veiled = false;
  /** Which vertebrae are shown, as `showVertebrae` was last given. */
  private vertebrae = "true true";

  constructor(readonly anatomy: Anatomy) {
    const { surfaces } = anatomy;
    for (const [name, surface] of Object.entries(surfaces)) {
      if (name.startsWith("bone")) this.addBone(surface, name === "bone_proxy" ? "proxy" : "full");
      else this.addSoft(name, surface);
    }
    // the patient's own, not the instrument
    for (const look of [
      ...Object.values(this.looks),
      ...this.soft.map(({ mesh }) => mesh.material as RawShaderMaterial),
    ])
      look.userData["clippable"] = true;
    this.targets = targetPoints(anatomy);
    this.scene.add(this.targets, this.tool.group, this.cutFace);
    this.detail("full");
  }

  place(plan: Plan, phase: number): void {
    this.phases = placedPhases(plan);
    this.uniforms.sweep(this.phases);
    while (this.channels.length < this.phases.length) {
      const made = new ChannelModel(this.uniforms, this.channels.length, ON_BENCH);
      this.channels.push(made);
      this.scene.add(made.group);
    }
    this.channels.forEach((channel, index) => {
      const placed = this.phases[index];
      channel.group.visible = placed !== undefined;
      if (placed) channel.place(plan, placed, index === phase);
    });
  }

  /** Lays the tool before the lens. */
  lens(plan: Plan, lens: EndoscopeLens): void {
    this.tool.place(plan, lens);
    this.tool.group.visible = isShown(this.shown, "tool");
  }

  /** The bone that goes; null where it is not known yet, and the sweep is painted in its place. */
  remove(removal: RemovalVolumes | null): void {
    const some = removal !== null && removal.task.length > 0;
    this.removed = some;
    this.face = null;
    if (some) {
      this.uniforms.removal(removal);
      this.face = cutFaceOf(removal.header, removal.task, removal.bone);
      this.cutFace.geometry.dispose();
      this.cutFace.geometry = geometryOf(this.face);
    }
  }

  /** Hides what the plan would take, for one who plans blind. */
  veil(blind: boolean): void {
    this.veiled = blind;
  }

  show(shown: Record<string, boolean>): void {
    this.shown = shown;
    for (const { mesh, name } of this.soft) mesh.visible = isShown(shown, name);
    this.targets.visible = isShown(shown, "targets");
    this.showVertebrae(isShown(shown, "upper"), isShown(shown, "lower"));
  }

  private showVertebrae(upper: boolean, lower: boolean): void {
    const key = `${upper} ${lower}`;
    if (key === this.vertebrae) return;
    this.vertebrae = key;
    const [above = "", below = ""] = this.anatomy.level.split("-");
    const hidden = [upper ? "" : above, lower ? "" : below].filter(Boolean);
    for (const { mesh, surface } of this.bones) {
      const shown = hidden.length ? trianglesWithout(surface, this.anatomy.parts, hidden) : surface.triangles;
      mesh.geometry.setIndex(new BufferAttribute(shown, 1));
    }
  }

  /** Takes away what lies on one side of a plane: caudal of an axial one, dorsal of a coronal one, or the entry's side. */
  cut(plane: ClipPlane | null, at_mm: number, side: Side): void {
    this.clipped = plane !== null;
    if (plane === null) this.uniforms.clip(null);
    else {
      const across = side === "left" ? 1 : -1;
      const away: Vec3 = { axial: [0, 0, -1], coronal: [0, 1, 0], sagittal: [across, 0, 0] }[plane] as Vec3;
      this.uniforms.clip([...away, plane === "coronal" ? at_mm : plane === "axial" ? -at_mm : across * at_mm]);
    }
  }

  /** Bone seen through, 1 for not at all. */
  fade(opacity: number): void {
    this.uniforms.set("boneOpacity", opacity);
    for (const look of [this.looks.planned, this.looks.afterwards]) {
      if (look.transparent === opacity < 1) continue;
      look.transparent = opacity < 1;
    }
    // seen through, it is drawn after what lies behind it
    for (const { mesh } of this.bones) mesh.renderOrder = opacity < 1 ? 30 : 0;
  }

  detail(detail: MeshDetail): void {
    const has = this.bones.some((bone) => bone.detail === detail);
    for (const bone of this.bones) bone.mesh.userData["near"] = bone.detail === detail || !has;
  }

  drawBench(renderer: WebGLRenderer, camera: PerspectiveCamera, into: WebGLRenderTarget | null = null): void {
    const toward = new Vector3(0, 0, 1).applyQuaternion(camera.quaternion);
    const up = new Vector3(0, 1, 0).applyQuaternion(camera.quaternion);
    const left = new Vector3(-1, 0, 0).applyQuaternion(camera.quaternion);
    this.uniforms.set("painted", this.veiled ? 0 : 1);
    this.uniforms.aim(camera.position, toward.addScaledVector(up, 0.7).addScaledVector(left, 0.6));
    this.bonesIn(isShown(this.shown, "afterwards") && this.removed, isShown(this.shown, "bone"));
    this.draw(renderer, camera, into, false);
  }

  /** The endoscope's view, into a target of its own; `afterwards`: with the bone gone that the plan takes. */
  drawScope(renderer: WebGLRenderer, camera: PerspectiveCamera, into: WebGLRenderTarget, afterwards: boolean): void {
    this.uniforms.set("painted", afterwards || this.veiled ? 0 : 1);
    this.uniforms.aim(camera.position, new Vector3(0, 1, 0));
    this.bonesIn(afterwards && this.removed, true);
    for (const { inScope } of this.soft) {
      const material = inScope.material as RawShaderMaterial;
      material.uniforms["taken"]!.value = afterwards && this.removed && inScope.userData["taken"] ? 1 : 0;
    }
    this.draw(renderer, camera, into, true);
  }

  dispose(): void {
    for (const { mesh } of this.bones) mesh.geometry.dispose();
    for (const { mesh, inScope } of this.soft) {
      mesh.geometry.dispose();
      (mesh.material as RawShaderMaterial).dispose();
      (inScope.material as RawShaderMaterial).dispose();
    }
    this.channels.forEach((channel) => channel.dispose());
    this.targets.geometry.dispose();
    this.cutFace.geometry.dispose();
    this.tool.dispose();
    Object.values(this.looks).forEach((material) => material.dispose());
    for (const made of this.variants.values()) made.forEach((material) => material.dispose());
    this.uniforms.dispose();
  }

  private draw(
    renderer: WebGLRenderer,
    camera: PerspectiveCamera,
    into: WebGLRenderTarget | null,
    lens: boolean,
  ): void {
    camera.layers.set(0);
    camera.layers.enable(lens ? IN_SCOPE : ON_BENCH);
    const wet = lens && !isShown(this.shown, "plain");
    const { removed: removal, cleared, clipped } = this;
    const had = this.dressed({ lens, wet, removal, cleared, clipped });
    renderer.setRenderTarget(into);
    renderer.render(this.scene, camera);
    renderer.setRenderTarget(null);
    for (const [mesh, look] of had) mesh.material = look;
  }

  /** Every mesh in the look that it has in one kind of picture; returned are those they had. */
  private dressed(view: ViewTraits): [Mesh, RawShaderMaterial][] {
    const had: [Mesh, RawShaderMaterial][] = [];
    this.scene.traverseVisible((part) => {
      if (!(part instanceof Mesh) || !(part.material instanceof RawShaderMaterial)) return;
      const made = this.variants.get(part.material) ?? new Map<string, RawShaderMaterial>();
      this.variants.set(part.material, made);
      had.push([part as Mesh, part.material]);
      part.material = lookIn(part.material, view, made);
    });
    return had;
  }

  private bonesIn(afterwards: boolean, shown: boolean): void {
    this.cutFace.visible = shown && afterwards;
    this.cleared = afterwards;
    for (const { mesh, inside } of this.bones) {
      mesh.visible = shown && Boolean(mesh.userData["near"]);
      // a cut through bone shows it from within
      inside.visible = mesh.visible && (afterwards || this.clipped);
      mesh.material = afterwards ? this.looks.afterwards : this.looks.planned;
    }
  }

  private addBone(surface: SurfaceMesh, detail: MeshDetail): void {
    const mesh = new Mesh(geometryOf(surface), this.looks.planned);
    const inside = new Mesh(mesh.geometry, this.looks.inside);
    // after the outer surfaces, which hide most of it
    inside.renderOrder = 1;
    this.bones.push({ surface, mesh, inside, detail });
    this.scene.add(mesh, inside);
  }

  private addSoft(name: string, surface: SurfaceMesh): void {
    const look = STRUCTURES[name];
    if (!look) return;
    const geometry = geometryOf(surface);
    const mesh = new Mesh(geometry, softMaterial(this.uniforms, look.colour, look.opacity));
    const inScope = new Mesh(geometry, softMaterial(this.uniforms, look.colour, 1, name));
    mesh.layers.set(ON_BENCH);
    mesh.renderOrder = name === "skin" ? 40 : 10;
    inScope.layers.set(IN_SCOPE);
    inScope.visible = SEEN_IN_SCOPE.has(name);
    inScope.userData["taken"] = name === "flavum";
    this.soft.push({ mesh, name, inScope });
    this.scene.add(mesh, inScope);
  }
}

/** The triangles of bone that belong to none of the vertebrae named. */
function trianglesWithout(
  { triangles, part }: SurfaceMesh,
  parts: string[],
  hidden: string[],
): Uint32Array<ArrayBuffer> {
  const gone = parts.map((name) => hidden.some((vertebra) => name.startsWith(`${vertebra} `)));
  const kept = new Uint32Array(triangles.length);
  let count = 0;
  for (let t = 0; t < triangles.length; t += 3) {
    if (part && gone[part[triangles[t]!]!]) continue;
    for (let corner = 0; corner < 3; corner++) kept[count++] = triangles[t + corner]!;
  }
  return kept.slice(0, count);
}

function geometryOf(surface: SurfaceMesh): BufferGeometry {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(surface.points, 3));
  geometry.setAttribute("facing", new BufferAttribute(surface.facing, 4, true));
  geometry.setIndex(new BufferAttribute(surface.triangles, 1));
  geometry.computeBoundingSphere();
  return geometry;
}

function targetPoints(anatomy: Anatomy): Points {
  const points = Object.values(anatomy.targets)
    .flat()
    .map((point) => new Vector3(...point));
  const marks = new Points(
    new BufferGeometry().setFromPoints(points),
    new PointsMaterial({ color: "#ffffff", size: 3, sizeAttenuation: false }),
  );
  marks.layers.set(ON_BENCH);
  return marks;
}
