// What threads are started with. Plain values and ports.
import type { MessagePort } from 'node:worker_threads'
import type { ListenAddress } from '../config.js'
import type { DataFolder } from './data-folder.driver.js'
import type { ServiceSettings } from './services.js'

export interface WriterSetup {
  data: DataFolder
  settings: ServiceSettings
  logLevel: string
  clockCell: SharedArrayBuffer | undefined
  publicPort: MessagePort
  effectsPort: MessagePort
}

export interface WriterReady {
  serverId: string
  applied: string[]
  swept: string[]
}

export interface PublicSetup {
  data: DataFolder
  listen: ListenAddress
  /** Shown by the listeners of this start, so that the doctor knows them. */
  startMark: string
  behindProxy: boolean
  logLevel: string
  clockCell: SharedArrayBuffer | undefined
  writerPort: MessagePort
}

export interface PublicReady {
  port: number
  host: string
  /** Whether the kernel's count of acknowledged bytes can be read here. */
  countsAcknowledged: boolean
}
