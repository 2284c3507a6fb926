export function Control() { return null; }
