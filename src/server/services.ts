// All services of the writing thread, by the names under which other threads call them.
import { type AccessService, accessService } from '../access/access.service.js'
import { type AuditService, auditService } from '../audit/audit.service.js'
import type { DiskStore } from '../blobs/disk.driver.js'
import { type CheckinService, checkinService } from '../checkins/checkin.service.js'
import { type HoldService, holdService } from '../hold/hold.service.js'
import { type LinkService, linkService } from '../links/link.service.js'
import { type ModelService, modelService } from '../models/model.service.js'
import { type PackageService, packageService } from '../packages/package.service.js'
import { type HandReportService, handReportService } from '../sheets/hand-report.service.js'
import { type LedgerService, ledgerService } from '../tasks/ledger.service.js'
import { type TaskService, taskService } from '../tasks/task.service.js'
import { type UnitService, unitService } from '../units/unit.service.js'
import { type UnitImportService, unitImportService } from '../units/unit-import.service.js'
import { KEEP_ALL, type Keep, type RetentionService, retentionService } from '../upkeep/retention.service.js'
import { type ScrubService, scrubService } from '../upkeep/scrub.service.js'

export interface Services {
  access: AccessService
  audit: AuditService
  models: ModelService
  packages: PackageService
  units: UnitService
  unitImports: UnitImportService
  links: LinkService
  tasks: TaskService
  checkins: CheckinService
  handReports: HandReportService
  ledger: LedgerService
  hold: HoldService
  scrub: ScrubService
  retention: RetentionService
}

export interface ServiceSettings {
  serverSecret: string
  publicUrl: string | null
  behindProxy: boolean
  taskDeadlineHours: number
  /** Without it nothing is erased. */
  keep?: Keep
  /** Without it stored packages are checked only when somebody asks. */
  scrubDays?: number
}

export function createServices(settings: ServiceSettings, disk: DiskStore): Services {
  return {
    access: accessService(settings),
    audit: auditService,
    models: modelService,
    packages: packageService({ disk }),
    units: unitService,
    unitImports: unitImportService,
    links: linkService(settings),
    tasks: taskService({ ...settings, deadlineMs: settings.taskDeadlineHours * 3_600_000 }),
    checkins: checkinService,
    handReports: handReportService,
    ledger: ledgerService,
    hold: holdService,
    scrub: scrubService({ scrubDays: settings.scrubDays ?? 0 }),
    retention: retentionService(settings.keep ?? KEEP_ALL),
  }
}
