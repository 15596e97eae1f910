// Files that the page hands to a person.

/** Hands a file to the person. */
export function saved(what: Blob | HTMLCanvasElement, name: string): void {
  if (what instanceof HTMLCanvasElement) {
    what.toBlob((blob) => blob && saved(blob, name));
    return;
  }
  const url = URL.createObjectURL(what);
  const link = document.createElement("a");
  [link.href, link.download] = [url, name];
  link.click();
  setTimeout(() => URL.revokeObjectURL(url), 10_000);
}

/** The same for text. */
export const savedText = (text: string, name: string, type: string): void => saved(new Blob([text], { type }), name);
