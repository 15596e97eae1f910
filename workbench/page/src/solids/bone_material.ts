// Shaders of bone and soft structures. What the sweep covers is found point by point in the shader, from the
// same formulas as estimator/geometry/cone_formulas.py; it is a picture, never a number.

import {
  BackSide,
  DoubleSide,
  FrontSide,
  GLSL3,
  LinearFilter,
  Matrix4,
  RawShaderMaterial,
  RedFormat,
  Data3DTexture,
  UnsignedByteType,
  Vector3,
  Vector4,
  type IUniform,
} from "three";
import type { PlacedPhase } from "../model/channel_geometry";
import { BONE, CUT_BONE, REMOVED, rgb } from "../model/palette";
import type { RemovalHeader } from "../protocol/frame_headers";

/** Phases that the shader takes; a plan has two, and others are drawn without their sweep on the bone. */
const MOST_PHASES = 4;

/** How far below the surface of bone it is asked whether it goes, mm. */
export const BELOW_MM = 0.5;

const VERTEX = /* glsl */ `
precision highp float;
in vec3 position;
in vec4 facing;
uniform mat4 projectionMatrix, viewMatrix, modelMatrix;
out vec3 at, normal;
out float shade;
void main() {
  vec4 world = modelMatrix * vec4(position, 1.0);
  at = world.xyz;
  normal = mat3(modelMatrix) * facing.xyz;
  shade = facing.w;
  gl_Position = projectionMatrix * viewMatrix * world;
}`;

const COMMON = /* glsl */ `
precision highp float;
precision highp sampler3D;
in vec3 at, normal;
in float shade;
uniform vec3 eye, lamp;
uniform float lens;        // 0 on the bench, 1 in the endoscope's view, where the lamp is at the lens
uniform int phaseCount;
uniform vec3 pivots[${MOST_PHASES}], axes[${MOST_PHASES}];
uniform vec4 sleeves[${MOST_PHASES}], tools[${MOST_PHASES}];   // cone length, base, 1 / (length^2 + base^2), radius
out vec4 colour;

float coneDistance(vec3 p, vec3 pivot, vec3 axis, vec4 c) {
  vec3 d = p - pivot;
  float t = dot(d, axis);
  float rho = length(d - t * axis);
  float along = clamp((t * c.x + rho * c.y) * c.z, 0.0, 1.0);
  vec2 side = vec2(t - along * c.x, rho - along * c.y);
  vec2 base = vec2(t - c.x, max(rho - c.y, 0.0));
  float nearest = sqrt(min(dot(side, side), dot(base, base)));
  bool inside = t > 0.0 && t < c.x && rho * c.x < t * c.y;
  return (inside ? -nearest : nearest) - c.w;
}

float sweptDistance(vec3 p) {
  float least = 1e3;
  for (int i = 0; i < phaseCount; i++) {
    least = min(least, coneDistance(p, pivots[i], axes[i], sleeves[i]));
    least = min(least, coneDistance(p, pivots[i], axes[i], tools[i]));
  }
  return least;
}

// on the bench the lamp hangs above the viewer's shoulder; at the lens it falls off with distance
float bright(vec3 p, vec3 n, float shaded) {
  if (lens < 0.5) {
    float direct = max(dot(n, lamp), 0.0);
    float sky = 0.5 + 0.5 * dot(n, normalize(eye - p));
    return (0.20 + 0.28 * sky + 0.62 * direct) * (1.12 - 0.75 * shaded);
  }
  vec3 toward = eye - p;
  float far = length(toward);
  return (0.16 + 0.98 * max(dot(n, toward / far), 0.0)) * (1.1 - 0.55 * shaded) / (1.0 + far * far / 900.0);
}
`;

const BONE_FRAGMENT = /* glsl */ `
uniform sampler3D task, cone;
uniform mat4 toIndex;
uniform vec3 shape, bone, removed, cutBone;
uniform float hasRemoval, painted;

const float BELOW_MM = ${BELOW_MM.toFixed(2)};

// place in the removal's volume, 0..1 within it
vec3 placeOf(vec3 p) {
  return ((toIndex * vec4(p, 1.0)).xyz + 0.5) / shape;
}

float inVolume(sampler3D volume, vec3 p) {
  vec3 q = placeOf(p);
  bool outside = any(lessThan(q, vec3(0.0))) || any(greaterThan(q, vec3(1.0)));
  return outside ? 0.0 : texture(volume, q).r;
}

// paint that stands in stripes, so that it is told from the solid kind without its hue
float stripes(vec3 p) {
  float s = abs(fract((p.x + p.y + p.z) / 2.4) - 0.5) * 2.0;
  return smoothstep(0.35, 0.55, s);
}

vec3 paintedBone(vec3 p, vec3 n) {
  if (hasRemoval > 0.5) {
    vec3 within = p - 0.35 * n;
    float striped = smoothstep(0.3, 0.6, inVolume(cone, within)) * stripes(p) * 0.42;
    float solid = smoothstep(0.25, 0.65, inVolume(task, within));
    return mix(bone, removed, painted * max(striped, solid));
  }
  float inside = smoothstep(0.12, -0.12, sweptDistance(p));
  return mix(bone, removed, painted * inside * (0.35 + 0.5 * stripes(p)));
}

void main() {
  vec3 n = normalize(normal);
#ifdef AFTERWARDS
  // a little below the surface: on it the share that goes fades into what is no bone
  if (inVolume(task, at - BELOW_MM * n) > 0.5) discard;
  colour = vec4(bone * bright(at, n, shade), 1.0);
#elif defined(INSIDE)
  if (inVolume(task, at - BELOW_MM * n) > 0.5) discard;
  colour = vec4(cutBone * bright(at, -n, 0.4), 1.0);
#elif defined(CUT)
  colour = vec4(cutBone * bright(at, n, 0.2), 1.0);
#else
  colour = vec4(paintedBone(at, n) * bright(at, n, shade), 1.0);
#endif
}`;

const SOFT_FRAGMENT = /* glsl */ `
uniform vec3 tint;
uniform float opacity, taken;
void main() {
  // ligament inside the sweep goes with the bone
  if (taken > 0.5 && sweptDistance(at) < 0.0) discard;
  vec3 n = normalize(normal), toward = normalize(eye - at);
  if (!gl_FrontFacing) n = -n;
  float rim = 1.0 - abs(dot(n, toward));
  colour = vec4(tint * bright(at, n, 0.1), opacity + (1.0 - opacity) * 0.55 * rim * rim);
}`;

/** What all materials of one scene share: one change reaches every one of them. */
export class SharedUniforms {
  readonly shared: Record<string, IUniform>;
  private volumes: Data3DTexture[] = [];

  constructor() {
    const nothing = volumeOf(new Uint8Array(1), [1, 1, 1]);
    const vectors = () => Array.from({ length: MOST_PHASES }, () => new Vector3());
    const cones = () => Array.from({ length: MOST_PHASES }, () => new Vector4());
    this.shared = {
      eye: { value: new Vector3() },
      lamp: { value: new Vector3(0, 1, 0) },
      lens: { value: 0 },
      phaseCount: { value: 0 },
      pivots: { value: vectors() },
      axes: { value: vectors() },
      sleeves: { value: cones() },
      tools: { value: cones() },
      task: { value: nothing },
      cone: { value: nothing },
      toIndex: { value: new Matrix4() },
      shape: { value: new Vector3(1, 1, 1) },
      bone: { value: new Vector3(...rgb(BONE)) },
      removed: { value: new Vector3(...rgb(REMOVED)) },
      cutBone: { value: new Vector3(...rgb(CUT_BONE)) },
      hasRemoval: { value: 0 },
      painted: { value: 1 },
    };
  }

  set(name: string, value: number): void {
    this.uniform(name).value = value;
  }

  aim(eye: Vector3, lamp: Vector3): void {
    (this.uniform("eye").value as Vector3).copy(eye);
    (this.uniform("lamp").value as Vector3).copy(lamp).normalize();
  }

  sweep(phases: PlacedPhase[]): void {
    const taken = phases.slice(0, MOST_PHASES);
    this.set("phaseCount", taken.length);
    taken.forEach((phase, i) => {
      (this.uniform("pivots").value as Vector3[])[i]!.set(...phase.pivot);
      (this.uniform("axes").value as Vector3[])[i]!.set(...phase.axis);
      coneInto((this.uniform("sleeves").value as Vector4[])[i]!, phase, phase.sleeve_depth_mm, phase.sleeve_radius_mm);
      coneInto((this.uniform("tools").value as Vector4[])[i]!, phase, phase.tip_depth_mm, phase.tool_radius_mm);
    });
  }

  removal(header: RemovalHeader, task: Uint8Array, cone: Uint8Array): void {
    this.volumes.forEach((volume) => volume.dispose());
    this.volumes = [task, cone].map((values) => volumeOf(values, header.shape));
    this.uniform("task").value = this.volumes[0];
    this.uniform("cone").value = this.volumes[1];
    (this.uniform("toIndex").value as Matrix4).fromArray(header.index_of_level).transpose();
    (this.uniform("shape").value as Vector3).set(...header.shape);
  }

  dispose(): void {
    this.volumes.forEach((volume) => volume.dispose());
  }

  private uniform(name: string): IUniform {
    const found = this.shared[name];
    if (!found) throw new Error(`no uniform ${name}`);
    return found;
  }
}

function coneInto(cone: Vector4, phase: PlacedPhase, length_mm: number, radius_mm: number): void {
  const base = length_mm * Math.tan((phase.sweep_deg * Math.PI) / 180);
  cone.set(length_mm, base, 1 / (length_mm * length_mm + base * base || 1), radius_mm);
}

function volumeOf(values: Uint8Array, shape: [number, number, number]): Data3DTexture {
  const volume = new Data3DTexture(values, ...shape);
  volume.format = RedFormat;
  volume.type = UnsignedByteType;
  volume.minFilter = volume.magFilter = LinearFilter;
  volume.unpackAlignment = 1;
  volume.needsUpdate = true;
  return volume;
}

/**
 * "planned": with what goes painted on; "afterwards": without it; "cut": the face of the bone that is left there;
 * "inside": bone's surface from within, which closes the slits between face and surface.
 */
export type BoneShading = "planned" | "afterwards" | "cut" | "inside";

export function boneMaterial(uniforms: SharedUniforms, look: BoneShading): RawShaderMaterial {
  return new RawShaderMaterial({
    glslVersion: GLSL3,
    vertexShader: VERTEX,
    fragmentShader: COMMON + BONE_FRAGMENT,
    uniforms: { ...uniforms.shared },
    defines: look === "planned" ? {} : { [look.toUpperCase()]: 1 },
    side: look === "inside" ? BackSide : FrontSide,
  });
}

export function softMaterial(uniforms: SharedUniforms, tint: string, opacity: number): RawShaderMaterial {
  const glass = opacity < 1;
  return new RawShaderMaterial({
    glslVersion: GLSL3,
    vertexShader: VERTEX,
    fragmentShader: COMMON + SOFT_FRAGMENT,
    uniforms: {
      ...uniforms.shared,
      tint: { value: new Vector3(...rgb(tint)) },
      opacity: { value: opacity },
      taken: { value: 0 },
    },
    transparent: glass,
    depthWrite: !glass,
    side: glass ? FrontSide : DoubleSide,
  });
}
