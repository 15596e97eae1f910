// Style sheets are imported for the bundler's sake.
declare module "*.css";
