// The differences that the stream sends, as a JSON patch (RFC 6902) of additions, replacements and removals.

export interface Operation {
  op: string;
  path: string;
  value?: unknown;
}

// applyPatch changes a document as the operations say, and returns it.
export function applyPatch<T>(document: T, operations: Operation[]): T {
  const root = { "": document as unknown };
  for (const { op, path, value } of operations) {
    const keys = path.split("/").map((k) => k.replaceAll("~1", "/").replaceAll("~0", "~")),
      last = keys.pop()!;
    let at = root as unknown as Record<string, unknown>;
    for (const key of keys) {
      const next = at[key];
      if (typeof next !== "object" || next === null) throw new Error(`the document has nothing at ${path}`);
      at = next as Record<string, unknown>;
    }
    if (op === "remove") delete at[last];
    else at[last] = value;
  }
  return root[""] as T;
}
