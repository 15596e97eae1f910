// Local and session storage. In a frame, as a notebook shows it, a browser may refuse to keep anything: the
// page then works on without, and the case alone remembers.

type StorageArea = "localStorage" | "sessionStorage";

export function readStored(where: StorageArea, name: string): string | null {
  try {
    return window[where].getItem(name);
  } catch {
    return null;
  }
}

export function writeStored(where: StorageArea, name: string, text: string): void {
  try {
    window[where].setItem(name, text);
  } catch {
    // refused, or full
  }
}
