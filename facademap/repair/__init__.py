"""Treatment rules, cut-outs, pieces, fixings, materials, handling, stages."""
