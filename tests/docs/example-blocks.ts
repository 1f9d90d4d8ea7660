// Reads the examples out of a document (CommonMark §4.4 indented code, §4.5 fenced code). Pure.

export interface Block {
  /** Of its first line, from 1. */
  line: number
  text: string
  /** `shell`: commands. `json`: a value. `output`: what the commands before it print. `file`: put into the folder. */
  kind: 'shell' | 'json' | 'output' | 'file' | 'other'
  /** The second word behind a fence: the name of a file, or of a schema of the API. */
  name: string | null
}

const SHELL = new Set(['sh', 'bash', 'shell'])
/** What an answer begins with, and no command of ours. */
const BEGINS_ANSWER = /^[{[]/

export function readBlocks(document: string): Block[] {
  const lines = document.split('\n')
  const blocks: Block[] = []
  let afterCommands = false
  for (let at = 0; at < lines.length; ) {
    const fence = /^(```+)(\w*) ?(.*)$/.exec(lines[at]!)
    if (fence) {
      const end = lines.indexOf(fence[1]!, at + 1)
      if (end < 0) throw new Error(`line ${at + 1}: the fence is not closed`)
      const text = lines.slice(at + 1, end).join('\n')
      const name = fence[3] === '' ? null : fence[3]!
      const kind: Block['kind'] = fencedKind(fence[2]!, name, afterCommands)
      blocks.push({ line: at + 2, text, kind, name })
      afterCommands = kind === 'shell'
      at = end + 1
      continue
    }
    if (lines[at] === '<!-- run first') {
      const end = lines.indexOf('-->', at)
      if (end < 0) throw new Error(`line ${at + 1}: the remark is not closed`)
      blocks.push({ line: at + 2, text: lines.slice(at + 1, end).join('\n'), kind: 'shell', name: null })
      at = end + 1
      continue
    }
    // Indented code stands behind an empty line; inside a list it is a paragraph of the list, which our documents write flush.
    if (/^ {4}\S/.test(lines[at]!) && (lines[at - 1] ?? '') === '') {
      const piece = []
      for (; /^ {4}/.test(lines[at] ?? ''); at += 1) piece.push(lines[at]!.slice(4))
      const kind: Block['kind'] = BEGINS_ANSWER.test(piece[0]!) && afterCommands ? 'output' : 'shell'
      blocks.push({ line: at - piece.length + 1, text: piece.join('\n'), kind, name: null })
      afterCommands = kind === 'shell'
      continue
    }
    if (lines[at] !== '') afterCommands = false
    at += 1
  }
  return blocks
}

function fencedKind(language: string, name: string | null, afterCommands: boolean): Block['kind'] {
  if (SHELL.has(language)) return 'shell'
  if (name?.includes('.')) return 'file'
  if (['json', 'text', ''].includes(language) && afterCommands) return 'output'
  return language === 'json' ? 'json' : 'other'
}

/** One command after the other; a line that ends with a backslash goes on. */
export function commandsOf(block: Block): { line: number; text: string }[] {
  const commands: { line: number; text: string }[] = []
  let open = false
  for (const [index, line] of block.text.split('\n').entries()) {
    if (open) commands.at(-1)!.text += `\n${line}`
    else if (line.trim() !== '' && !line.startsWith('#')) commands.push({ line: block.line + index, text: line })
    open = line.endsWith('\\')
  }
  return commands
}

/** Without the remark at the end of a line. */
export const withoutRemarks = (command: string): string => command.replace(/\s+#\s.*$/gm, '')
