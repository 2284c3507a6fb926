// Files that the bundler takes in beside scripts.
declare module "*.css";
declare module "@fontsource/*";
declare module "*.png" {
  const address: string;
  export default address;
}
// What is used of the map library, which brings no types of its own.
declare module "leaflet" {
  const library: {
    Icon: {
      Default: { imagePath: string; mergeOptions(options: Record<string, string>): void };
    };
  };
  export default library;
}
