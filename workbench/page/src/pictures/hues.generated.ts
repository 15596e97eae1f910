// The colours of workbench/style/palette.py, made by scripts/page_phrases.py, not by hand.

export const HUES = {"bone": {"meaning": "bone", "paint": "#f3ead6", "line": "#8c6d3f"}, "removed": {"meaning": "bone to be removed", "paint": "#e8641c", "line": "#b83c00"}, "sac": {"meaning": "dural sac", "paint": "#4f9bff", "line": "#2c86dd"}, "ligament": {"meaning": "ligamentum flavum", "paint": "#f0e442", "line": "#a08a00"}, "canal": {"meaning": "canal", "paint": "#6fe8d6", "line": "#00958c"}, "disc": {"meaning": "disc", "paint": "#8b8fa3", "line": "#4c5064"}, "joint": {"meaning": "facet joint", "paint": "#2fae5f", "line": "#14602c"}, "near": {"meaning": "near side, ipsilateral phase", "paint": "#b79bff", "line": "#5a2fb0"}, "far": {"meaning": "far side, over the top", "paint": "#ff7fb5", "line": "#b0206a"}, "mark": {"meaning": "marks and guide lines", "paint": "#ffffff", "line": "#101418"}} as const;
export const PHASES = ["#b79bff", "#ff7fb5", "#c8d94a", "#f7b7a3"] as const;
export const STACK_NAMES = ["laminae, ipsilateral", "joint processes, ipsilateral", "spinous base and process", "laminae, contralateral", "joint processes, contralateral", "other"] as const;
export const STACK_COLOURS = ["#5a2fb0", "#b79bff", "#8c6d3f", "#ff9cc6", "#b0206a", "#9aa5ae"] as const;
export const BONE_SHADES = ["#fde6d5", "#f9c39d", "#ee9660", "#cc6c2f", "#974719", "#5c2a0c"] as const;
export const KEPT_SHADES = ["#e3f2e7", "#aedcbb", "#73bf8b", "#3d9460", "#14602c"] as const;
