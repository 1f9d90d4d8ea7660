// The services of the writing thread as other threads call them: by name, without the code that does the work there.
import type { Caller, Remote } from '../threads/remote.js'
import type { Services } from './services.js'

export type RemoteServices = { [K in keyof Services]: Remote<Services[K]> }

export function remoteServices(caller: Caller): RemoteServices {
  return {
    access: caller.service('access'),
    audit: caller.service('audit'),
    models: caller.service('models'),
    packages: caller.service('packages'),
    units: caller.service('units'),
    unitImports: caller.service('unitImports'),
    links: caller.service('links'),
    tasks: caller.service('tasks'),
    checkins: caller.service('checkins'),
    handReports: caller.service('handReports'),
    ledger: caller.service('ledger'),
    hold: caller.service('hold'),
    scrub: caller.service('scrub'),
    retention: caller.service('retention'),
  }
}
