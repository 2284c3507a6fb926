// As much of a browser as scripts without a page ask for.
const memory = () => {
  const kept = new Map();
  return {
    getItem: (name) => kept.get(name) ?? null,
    setItem: (name, value) => void kept.set(name, String(value)),
    removeItem: (name) => void kept.delete(name),
    clear: () => kept.clear(),
  };
};
globalThis.localStorage ??= memory();
globalThis.sessionStorage ??= memory();
globalThis.document ??= { documentElement: { dataset: {} } };
