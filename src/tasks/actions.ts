// What a person may do with a task in the state it is in (domain rules 7 and 9). Pure; who may, is decided elsewhere.
import type { Move, OpenState, TaskState } from './facts.js'

export const openStates: readonly OpenState[] = ['queued', 'fetched', 'verified', 'applied']

export const isOpen = (state: TaskState): state is OpenState => (openStates as readonly TaskState[]).includes(state)

/** The word that cancel and supersede need where they cannot stop an installation any more (rule 7). */
export const MAY_BE_INSTALLING = 'may-be-installing'

export interface ActionsAllowed {
  cancel: boolean
  supersede: boolean
  /** What cancel and supersede must be given as `acknowledge`; null = nothing. */
  acknowledge: typeof MAY_BE_INSTALLING | null
  /** What may be attested. Never `applied`: a version that somebody read is a check-in (rule 9). */
  attest: ('fetched' | 'verified' | 'confirmed' | 'failed')[]
}

const ATTESTABLE: Record<OpenState, ActionsAllowed['attest']> = {
  queued: ['fetched', 'verified', 'failed'],
  fetched: ['verified', 'failed'],
  verified: ['failed'],
  applied: ['confirmed', 'failed'],
}

export function actionsAllowed(state: TaskState): ActionsAllowed {
  if (!isOpen(state)) return { cancel: false, supersede: false, acknowledge: null, attest: [] }
  return {
    cancel: true,
    supersede: true,
    acknowledge: state === 'queued' ? null : MAY_BE_INSTALLING,
    attest: [...ATTESTABLE[state]],
  }
}

/** When a person's word counts. It is about all that is known, and a unit's clock may run ahead a little (rule 3). */
export const wordAtMs = (task: { moves: readonly Move[] }, nowMs: number): number =>
  Math.max(nowMs, ...task.moves.map((move) => move.atMs))
