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
import { TRIMMED } from "./cut_face";
import { BONE, CUT_BONE, REMOVED, rgb } from "../pictures/palette";
import type { RemovalVolumes } from "../protocol/frame_headers";

/** Phases that the shader takes; a plan has two, and others are drawn without their sweep on the bone. */
const MOST_PHASES = 4;

/** How far below the surface of bone its removal is looked up, mm. */
export const BELOW_MM = 0.2;

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
// What is the same for a whole picture is fixed when the shader is compiled, see ViewTraits: a processor that draws runs
// both branches of a test at every pixel.
const bool lens = LENS == 1, wet = WET == 1, hasRemoval = REMOVAL == 1;
in vec3 at, normal;
in float shade;
uniform vec3 eye, lamp;
uniform vec4 clip;         // what lies beyond this plane is not drawn on the bench
uniform float boneOpacity;
uniform sampler3D task, cone, solid;
uniform mat4 toIndex;
uniform vec3 shape;
uniform int phaseCount;
uniform vec3 pivots[${MOST_PHASES}], axes[${MOST_PHASES}];
uniform vec4 sleeves[${MOST_PHASES}], tools[${MOST_PHASES}];   // cone length, base, 1 / (length^2 + base^2), radius
out vec4 colour;

// place in the removal's volume, 0..1 within it
vec3 placeOf(vec3 p) {
  return ((toIndex * vec4(p, 1.0)).xyz + 0.5) / shape;
}

float inVolume(sampler3D volume, vec3 p) {
  vec3 q = placeOf(p);
  bool outside = any(lessThan(q, vec3(0.0))) || any(greaterThan(q, vec3(1.0)));
  return outside ? 0.0 : texture(volume, q).r;
}

// value noise, 0..1
float hash(vec3 p) {
  p = fract(p * 0.3183099 + 0.1);
  p *= 17.0;
  return fract(p.x * p.y * p.z * (p.x + p.y + p.z));
}

float noise(vec3 p) {
  vec3 i = floor(p), f = fract(p);
  f = f * f * (3.0 - 2.0 * f);
  vec4 low = vec4(hash(i), hash(i + vec3(1, 0, 0)), hash(i + vec3(0, 1, 0)), hash(i + vec3(1, 1, 0)));
  vec4 high = vec4(hash(i + vec3(0, 0, 1)), hash(i + vec3(1, 0, 1)), hash(i + vec3(0, 1, 1)), hash(i + vec3(1, 1, 1)));
  vec4 across = mix(low, high, f.z);
  vec2 along = mix(across.xy, across.zw, f.y);
  return mix(along.x, along.y, f.x);
}

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
  if (!lens) {
    float direct = max(dot(n, lamp), 0.0);
    float sky = 0.5 + 0.5 * dot(n, normalize(eye - p));
    return (0.20 + 0.28 * sky + 0.62 * direct) * (1.12 - 0.75 * shaded);
  }
  vec3 toward = eye - p;
  float far = length(toward);
  if (wet) return (0.20 + 0.86 * max(dot(n, toward / far), 0.0)) * (1.08 - 0.6 * shaded) * 1.3 / (1.0 + far * far / 420.0);
  return (0.16 + 0.98 * max(dot(n, toward / far), 0.0)) * (1.1 - 0.55 * shaded) / (1.0 + far * far / 900.0);
}
`;

/** What a lens under water adds: a film that glitters, since the light sits beside the lens, and haze with distance. */
const WET = /* glsl */ `
vec3 seen(vec3 tint, vec3 p, vec3 n, float shaded, float gloss) {
  vec3 base = tint * bright(p, n, shaded);
  if (!lens || !wet) return base;
  vec3 toward = eye - p;
  float far = length(toward);
  // a film of water is never quite flat
  vec3 ripple = vec3(noise(p * 2.3), noise(p * 2.3 + 31.0), noise(p * 2.3 + 67.0)) - 0.5;
  float facing = max(dot(normalize(n + 0.35 * ripple), toward / far), 0.0);
  float glint = gloss * (0.55 * pow(facing, 70.0) + 0.10 * pow(facing, 10.0)) / (1.0 + far * far / 700.0);
  vec3 lit = base + vec3(1.0, 0.98, 0.94) * glint;
  vec3 hazed = mix(lit, vec3(0.24, 0.15, 0.13), 1.0 - exp(-far * far / 9000.0));
  // no camera shows brighter than white: near tissue keeps its colour
  return 1.0 - exp(-1.45 * hazed);
}
`;

const BONE_FRAGMENT = /* glsl */ `
uniform vec3 bone, removed, cutBone;
uniform float painted;

const float BELOW_MM = ${BELOW_MM.toFixed(2)};

// paint that stands in stripes, so that it differs from the solid kind without its hue
float stripes(vec3 p) {
  float s = abs(fract((p.x + p.y + p.z) / 2.4) - 0.5) * 2.0;
  return smoothstep(0.35, 0.55, s);
}

vec3 paintedBone(vec3 p, vec3 n) {
  if (hasRemoval) {
    vec3 within = p - 0.35 * n;
    float striped = smoothstep(0.3, 0.6, inVolume(cone, within)) * stripes(p) * 0.42;
    float gone = smoothstep(0.42, 0.56, inVolume(task, within));
    return mix(bone, removed, painted * max(striped, gone));
  }
  float inside = smoothstep(0.12, -0.12, sweptDistance(p));
  return mix(bone, removed, painted * inside * (0.35 + 0.5 * stripes(p)));
}

// cortical bone: ivory, a little pink where it is wet
vec3 cortex(vec3 p) {
  if (!lens || !wet) return bone;
  return mix(vec3(0.93, 0.86, 0.74), vec3(0.88, 0.70, 0.60), 0.45 * smoothstep(0.45, 0.8, noise(p * 0.9)));
}

// the face of a cut: a rim of cortex, within it beams of bone with marrow between them
vec3 cutFace(vec3 p) {
  if (!lens || !wet) return cutBone;
  float about = 0.0;
  for (int i = 0; i < 3; i++) {
    vec3 off = vec3(i == 0, i == 1, i == 2) * 1.1;
    about += inVolume(solid, p + off) + inVolume(solid, p - off);
  }
  float beams = 0.55 * noise(p * 2.6) + 0.45 * noise(p * 5.3);
  vec3 within = mix(vec3(0.58, 0.22, 0.17), vec3(0.93, 0.78, 0.60), smoothstep(0.32, 0.58, beams));
  return mix(within, cortex(p), smoothstep(5.85, 5.0, about));
}

// the cut's own normal, from the volume: smoother than the net's
vec3 cutNormal(vec3 p, vec3 n) {
  float d = 0.7;
  vec3 up = vec3(
    inVolume(task, p + vec3(d, 0, 0)) - inVolume(task, p - vec3(d, 0, 0)),
    inVolume(task, p + vec3(0, d, 0)) - inVolume(task, p - vec3(0, d, 0)),
    inVolume(task, p + vec3(0, 0, d)) - inVolume(task, p - vec3(0, 0, d))
  );
  return length(up) < 0.02 ? n : normalize(mix(n, normalize(up), 0.8));
}

void main() {
#ifdef CLIPPED
  if (dot(clip.xyz, at) > clip.w) discard;
#endif
  float opacity = !lens ? boneOpacity : 1.0;
  vec3 n = normalize(normal);
#ifdef AFTERWARDS
  // a little below the surface: on it the share that goes fades into what is no bone
  if (inVolume(task, at - BELOW_MM * n) > 0.5) discard;
  colour = vec4(seen(cortex(at), at, n, shade, 0.9), opacity);
#elif defined(INSIDE)
  float gone = hasRemoval ? inVolume(task, at - BELOW_MM * n) : 0.0;
#ifdef CLEARED
  if (gone > 0.5) discard;
#endif
  vec3 face = mix(cutFace(at), removed, !lens ? smoothstep(0.42, 0.56, gone) : 0.0);
  colour = vec4(seen(face, at, -n, 0.4, 0.3), 1.0);
#elif defined(CUT)
  if (inVolume(solid, at) < ${TRIMMED.toFixed(2)}) discard;
  colour = vec4(seen(cutFace(at), at, cutNormal(at, n), 0.15, 0.6), 1.0);
#else
  vec3 paint = paintedBone(at, n);
  vec3 tint = paint == bone ? cortex(at) : paint;
  colour = vec4(seen(tint, at, n, shade, 0.9), opacity);
#endif
}`;

const SOFT_FRAGMENT = /* glsl */ `
uniform vec3 tint;
uniform float opacity, taken;

// what each soft structure looks like through the lens: 1 sac, 2 ligament, 3 disc, 0 none of them
vec3 tissue(vec3 p) {
  if (!lens || !wet || KIND == 0) return tint;
  if (KIND == 1) {
    // vessels run along the sac
    float off = 9.0;
    for (int i = 0; i < 3; i++) {
      float across = -4.0 + 4.2 * float(i) + 3.0 * (noise(vec3(p.z * 0.16, float(i) * 7.0, 3.0)) - 0.5);
      off = min(off, abs(p.x - across));
    }
    float vessel = smoothstep(0.22, 0.06, off);
    vec3 q = vec3(p.xy * 0.5, p.z * 0.2);
    vec3 dura = mix(vec3(0.76, 0.82, 0.90), vec3(0.86, 0.84, 0.86), noise(q * 2.0));
    return mix(dura, vec3(0.66, 0.22, 0.24), 0.42 * vessel);
  }
  if (KIND == 2) {
    float fibre = noise(vec3(p.xy * 2.6, p.z * 0.30));
    return mix(vec3(0.78, 0.58, 0.22), vec3(0.97, 0.86, 0.52), fibre);
  }
  return mix(vec3(0.80, 0.84, 0.86), vec3(0.66, 0.72, 0.76), noise(p * 1.4));
}

void main() {
#ifdef CLIPPED
  if (dot(clip.xyz, at) > clip.w) discard;
#endif
#if LENS == 1
  // ligament that is taken goes with the bone
  if (taken > 0.5 && (hasRemoval ? inVolume(task, at) > 0.5 : sweptDistance(at) < 0.0)) discard;
#endif
  vec3 n = normalize(normal), toward = normalize(eye - at);
  if (!gl_FrontFacing) n = -n;
  float rim = 1.0 - abs(dot(n, toward));
  colour = vec4(seen(tissue(at), at, n, 0.1, KIND > 0 ? 0.8 : 0.4), opacity + (1.0 - opacity) * 0.55 * rim * rim);
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
      phaseCount: { value: 0 },
      pivots: { value: vectors() },
      axes: { value: vectors() },
      sleeves: { value: cones() },
      tools: { value: cones() },
      task: { value: nothing },
      cone: { value: nothing },
      solid: { value: nothing },
      clip: { value: new Vector4(0, 0, 0, 1) },
      boneOpacity: { value: 1 },
      toIndex: { value: new Matrix4() },
      shape: { value: new Vector3(1, 1, 1) },
      bone: { value: new Vector3(...rgb(BONE)) },
      removed: { value: new Vector3(...rgb(REMOVED)) },
      cutBone: { value: new Vector3(...rgb(CUT_BONE)) },
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

  /** The plane's normal, toward what is taken away, and how far along it the plane lies; null for none. */
  clip(plane: [number, number, number, number] | null): void {
    (this.uniform("clip").value as Vector4).set(...(plane ?? ([0, 0, 0, 1] as const)));
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

  removal({ header, task, cone, bone }: RemovalVolumes): void {
    this.volumes.forEach((volume) => volume.dispose());
    this.volumes = [task, cone, bone].map((values) => volumeOf(values, header.shape));
    this.uniform("task").value = this.volumes[0];
    this.uniform("cone").value = this.volumes[1];
    this.uniform("solid").value = this.volumes[2];
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
    fragmentShader: COMMON + WET + BONE_FRAGMENT,
    uniforms: { ...uniforms.shared },
    defines: look === "planned" ? {} : { [look.toUpperCase()]: 1 },
    side: look === "inside" ? BackSide : FrontSide,
  });
}

/** How the lens shows a soft structure; 0 for others. */
const KINDS: Record<string, number> = { sac: 1, flavum: 2, disc: 3 };

export function softMaterial(
  uniforms: SharedUniforms,
  tint: string,
  opacity: number,
  structure = "",
): RawShaderMaterial {
  const glass = opacity < 1;
  return new RawShaderMaterial({
    glslVersion: GLSL3,
    vertexShader: VERTEX,
    fragmentShader: COMMON + WET + SOFT_FRAGMENT,
    uniforms: {
      ...uniforms.shared,
      tint: { value: new Vector3(...rgb(tint)) },
      opacity: { value: opacity },
      taken: { value: 0 },
    },
    transparent: glass,
    depthWrite: !glass,
    defines: { KIND: KINDS[structure] ?? 0 },
    side: glass ? FrontSide : DoubleSide,
  });
}

/** What is the same at every pixel of a picture, so that its shaders hold nothing else. */
export interface ViewTraits {
  /** Through the endoscope, whose lamp is at its lens; else on the bench. */
  lens: boolean;
  /** Tissue as a lens under water shows it, not in plain colours. */
  wet: boolean;
  /** Is the bone that goes known? Else the sweep is painted. */
  removal: boolean;
  /** Is it left out? */
  cleared: boolean;
  /** Does a plane take something away? */
  clipped: boolean;
}

/** A look for one kind of picture; it shares the look's uniforms. */
export function lookIn(
  look: RawShaderMaterial,
  view: ViewTraits,
  made: Map<string, RawShaderMaterial>,
): RawShaderMaterial {
  const defines: Record<string, number> = { ...look.defines, LENS: +view.lens, WET: +view.wet, REMOVAL: +view.removal };
  // a shader that may drop points is slower, so only where it is used
  if (view.clipped && !view.lens && look.userData["clippable"]) defines["CLIPPED"] = 1;
  if (view.cleared && "INSIDE" in defines) defines["CLEARED"] = 1;
  const key = JSON.stringify(defines);
  const found =
    made.get(key) ??
    new RawShaderMaterial({
      glslVersion: GLSL3,
      vertexShader: look.vertexShader,
      fragmentShader: look.fragmentShader,
      uniforms: look.uniforms,
      defines,
      depthWrite: look.depthWrite,
      side: look.side,
    });
  made.set(key, found);
  if (found.transparent !== look.transparent) {
    found.transparent = look.transparent;
    found.needsUpdate = true;
  }
  return found;
}
