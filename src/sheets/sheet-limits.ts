// What the command line has to know of sheets before it asks for them. Pure.

/** Sheets in one page: a day's work of a depot. Each costs about 20 KB and a few milliseconds. */
export const SHEETS_MAX = 100
