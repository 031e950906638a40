/**
 * What the server tells, as types; see drawing.py and desk.py. Nothing here runs.
 *
 * @typedef {[number, number]} Point
 * @typedef {{number: number, d: string, kind: string, is_border: boolean, falls: boolean, length_mm: number, box_mm: number[], at_mm: Point}} Edge
 * @typedef {{number: number, corners_mm: Point[], at_mm: Point, width_mm: number, length_mm: number, used_percent: number | null, is_mine: boolean}} Tie
 * @typedef {{number: number, type: string, kind: string, d: string | null, lead: string | null, run: string | null, pierce_mm: Point, at_mm: Point, length_mm: number}} Cut
 * @typedef {{kind: string, is_fault: boolean, rank: number, sentence: string, at_mm: Point | null, size_mm: number | null, remedy: string | null}} Note
 * @typedef {{key: string, upright: string, ink: string, box_mm: number[], upright_px: Point, is_squared: boolean, corners_px: Point[]}} Photograph
 * @typedef {{metres: number, starts: number, arc_min: number, elapsed_min: number, sign_kg: number, shade: number, thickness_mm: number}} Sums
 * @typedef {{number: number, is_final: boolean, is_rough?: boolean, name: string, title: string, mark: string, is_ready: boolean, sign_mm: number[], sheet_mm: Point | null, picture: Photograph, upright_from_mm: number[][], px_per_mm: number, reading: {read: string, reason: string, is_guessed: boolean, sure: string}, border: string, dark: string, drawn: string, deviation_mm: {flowing: number, lettering: number}, edges: Edge[], slits: string[], ties: Tie[], n_islands: number, n_loose: number, cuts: Cut[], kerf_mm: number, how: string, notes: Note[], sums: Sums}} Drawing
 * @typedef {{number: number, name: string, folder: string, settings: Record<string, string>, lettering: string[], corrections: Record<string, number[][]>, n_corrections: number, can_undo: boolean, can_redo: boolean, stage: string | null, trouble: string | null, is_written: boolean, took_min: number | null}} OpenJob
 * @typedef {{open: OpenJob | null, jobs?: string, recent?: {number: string, name: string, when: string}[]}} State
 * @typedef {{box: string, metal: string, slits: string, width_mm: number}} Glimpse
 * @typedef {{do: string, [key: string]: unknown}} Change
 */
export {};
