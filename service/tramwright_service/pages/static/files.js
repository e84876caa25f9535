// Files in and out of the browser; none of them passes through the server.

/** Let the browser keep a blob as a file, under a name that every system takes. */
export function download(name, ending, blob) {
  const url = URL.createObjectURL(blob);
  const link = document.createElement("a");
  link.href = url;
  link.download = `${name.replaceAll(/[^\p{L}\p{N}._-]+/gu, "-") || "file"}.${ending}`;
  link.click();
  setTimeout(() => URL.revokeObjectURL(url), 60_000);
}

/** Return the JSON object in a file, or null where it holds none. */
export async function opened(file) {
  try {
    const content = JSON.parse(await file.text());
    return content !== null && typeof content === "object" && !Array.isArray(content) ? content : null;
  } catch {
    return null;
  }
}
