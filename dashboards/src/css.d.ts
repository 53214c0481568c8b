// Styles of a page are bundled with its script.
declare module "*.css";
