// What the browser keeps for the page. In a frame, as a notebook shows it, a browser may refuse to keep anything: the
// page then works on without, and the case alone remembers.

type Where = "localStorage" | "sessionStorage";

export function stored(where: Where, name: string): string | null {
  try {
    return window[where].getItem(name);
  } catch {
    return null;
  }
}

export function putAway(where: Where, name: string, text: string): void {
  try {
    window[where].setItem(name, text);
  } catch {
    // refused, or full
  }
}
