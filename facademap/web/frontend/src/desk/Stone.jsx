export function Blocks() { return null; }
