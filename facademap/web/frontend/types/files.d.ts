// Files that the bundler takes in beside scripts.
declare module "*.css";
declare module "@fontsource/*";
declare module "*.png" {
  const address: string;
  export default address;
}
