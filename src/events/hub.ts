// Tells whoever listens that something was committed. Holds nothing but the listeners.
import type { Effect } from '../db/db.js'

export type Listener = (effects: readonly Effect[]) => void

export interface Hub {
  publish(effects: readonly Effect[]): void
  /** Returns the way out. */
  subscribe(listener: Listener): () => void
  readonly size: number
}

export function createHub(): Hub {
  const listeners = new Set<Listener>()
  return {
    publish: (effects) => {
      for (const listener of listeners) listener(effects)
    },
    subscribe: (listener) => {
      listeners.add(listener)
      return () => listeners.delete(listener)
    },
    get size() {
      return listeners.size
    },
  }
}
