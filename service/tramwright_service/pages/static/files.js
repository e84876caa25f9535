// Files in and out of the browser; none of them passes through the server.

/** Let the browser keep a JSON document as a file. */
export function download(name, content) {
  const url = URL.createObjectURL(new Blob([`${JSON.stringify(content, null, 2)}\n`], { type: "application/json" }));
  const link = document.createElement("a");
  link.href = url;
  link.download = `${name.replaceAll(/[^\p{L}\p{N}._-]+/gu, "-") || "file"}.json`;
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
