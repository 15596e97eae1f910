// A video file of pictures that were encoded one by one: WebM, the open container (RFC 9559, Matroska), with its length and
// where its key frames lie, so that any player can show how long it is and go anywhere in it.

export interface EncodedPicture {
  at_ms: number;
  /** Can it be shown without those before it? */
  key: boolean;
  data: Uint8Array;
}

export interface VideoFormat {
  codec: "V_VP8" | "V_VP9";
  width: number;
  height: number;
  /** Of the whole video. */
  duration_ms: number;
}

/** Elements by their numbers in the standard. */
const ID = {
  ebml: 0x1a45dfa3,
  ebmlVersion: 0x4286,
  ebmlReadVersion: 0x42f7,
  longestId: 0x42f2,
  longestSize: 0x42f3,
  docType: 0x4282,
  docTypeVersion: 0x4287,
  docTypeReadVersion: 0x4285,
  segment: 0x18538067,
  info: 0x1549a966,
  timestampScale: 0x2ad7b1,
  duration: 0x4489,
  muxingApp: 0x4d80,
  writingApp: 0x5741,
  tracks: 0x1654ae6b,
  track: 0xae,
  trackNumber: 0xd7,
  trackUid: 0x73c5,
  trackType: 0x83,
  codec: 0x86,
  video: 0xe0,
  width: 0xb0,
  height: 0xba,
  cues: 0x1c53bb6b,
  cue: 0xbb,
  cueTime: 0xb3,
  cuePositions: 0xb7,
  cueTrack: 0xf7,
  cuePosition: 0xf1,
  cluster: 0x1f43b675,
  clusterTime: 0xe7,
  block: 0xa3,
} as const;

type Bytes = Uint8Array<ArrayBuffer>;

const TRACK = 1;

/** The file; the first picture must be a key frame, and between two of them lie less than 32 seconds. */
export function webmFile(format: VideoFormat, pictures: readonly EncodedPicture[]): Bytes {
  const clusters = clustersOf(pictures);
  const head = [infoOf(format), tracksOf(format)];
  // as long whatever it says: numbers have a set width
  const long = size(...head, cuesOf(clusters, 0));
  return joined(
    ebmlHead(),
    element(ID.segment, ...head, cuesOf(clusters, long), ...clusters.map(({ bytes }) => bytes)),
  );
}

interface Cluster {
  at_ms: number;
  bytes: Bytes;
}

/** From each key frame to the next. */
function clustersOf(pictures: readonly EncodedPicture[]): Cluster[] {
  const runs: EncodedPicture[][] = [];
  for (const picture of pictures) {
    if (picture.key || !runs.length) runs.push([]);
    runs.at(-1)?.push(picture);
  }
  return runs.map((run) => {
    const at_ms = Math.round(run[0]?.at_ms ?? 0);
    const blocks = run.map((picture) => blockOf(picture, at_ms));
    return { at_ms, bytes: element(ID.cluster, unsigned(ID.clusterTime, at_ms), ...blocks) };
  });
}

function blockOf({ at_ms, key, data }: EncodedPicture, from_ms: number): Bytes {
  const head = new Uint8Array(4);
  head[0] = 0x80 | TRACK;
  new DataView(head.buffer).setInt16(1, Math.round(at_ms) - from_ms);
  head[3] = key ? 0x80 : 0;
  return element(ID.block, head, data);
}

function cuesOf(clusters: readonly Cluster[], before: number): Bytes {
  let place = before;
  const cues = clusters.map(({ at_ms, bytes }) => {
    const positions = element(ID.cuePositions, unsigned(ID.cueTrack, TRACK), unsigned(ID.cuePosition, place));
    place += bytes.length;
    return element(ID.cue, unsigned(ID.cueTime, at_ms), positions);
  });
  return element(ID.cues, ...cues);
}

const ebmlHead = (): Bytes =>
  element(
    ID.ebml,
    unsigned(ID.ebmlVersion, 1),
    unsigned(ID.ebmlReadVersion, 1),
    unsigned(ID.longestId, 4),
    unsigned(ID.longestSize, 8),
    text(ID.docType, "webm"),
    unsigned(ID.docTypeVersion, 4),
    unsigned(ID.docTypeReadVersion, 2),
  );

/** Times are in milliseconds: a million nanoseconds. */
const infoOf = ({ duration_ms }: VideoFormat): Bytes =>
  element(
    ID.info,
    unsigned(ID.timestampScale, 1_000_000),
    real(ID.duration, duration_ms),
    text(ID.muxingApp, "canalwise"),
    text(ID.writingApp, "canalwise"),
  );

const tracksOf = ({ codec, width, height }: VideoFormat): Bytes =>
  element(
    ID.tracks,
    element(
      ID.track,
      unsigned(ID.trackNumber, TRACK),
      unsigned(ID.trackUid, TRACK),
      unsigned(ID.trackType, 1),
      text(ID.codec, codec),
      element(ID.video, unsigned(ID.width, width), unsigned(ID.height, height)),
    ),
  );

/** An element: its number, its length in eight bytes, what it holds. */
function element(id: number, ...parts: readonly Uint8Array[]): Bytes {
  const name = [24, 16, 8, 0].map((shift) => (id >>> shift) & 0xff);
  const first = name.findIndex((byte) => byte > 0);
  const length = new Uint8Array(8);
  new DataView(length.buffer).setBigUint64(0, BigInt(size(...parts)));
  length[0] = 1;
  return joined(Uint8Array.from(name.slice(first)), length, ...parts);
}

function unsigned(id: number, value: number): Bytes {
  const bytes = new Uint8Array(8);
  new DataView(bytes.buffer).setBigUint64(0, BigInt(value));
  return element(id, bytes);
}

function real(id: number, value: number): Bytes {
  const bytes = new Uint8Array(8);
  new DataView(bytes.buffer).setFloat64(0, value);
  return element(id, bytes);
}

const text = (id: number, words: string): Bytes => element(id, new TextEncoder().encode(words));

const size = (...parts: readonly Uint8Array[]): number => parts.reduce((sum, part) => sum + part.length, 0);

function joined(...parts: readonly Uint8Array[]): Bytes {
  const out = new Uint8Array(size(...parts));
  let at = 0;
  for (const part of parts) {
    out.set(part, at);
    at += part.length;
  }
  return out;
}
