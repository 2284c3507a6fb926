// Whether this page was opened by a link for reviewers.
import { project } from "./data.js";

export const isReviewer = () => project.value?.pass === "review";
