/* faults.c: see faults.h. */
#include "faults.h"

#include "bytes.h"
#include "cases.h"
#include "classes.h"
#include "part.h"

faults_job_t faults_job;
faults_result_t faults_result;
uint32_t faults_limits[2];
const uint32_t faults_sizes[2] = {sizeof faults_job, sizeof faults_result};

uint32_t faults_run(void)
{
    memcpy(cases.image, part_image, CUTS_CAPACITY);
    cases.known = oracle;
    memset(&faults_result, 0, sizeof faults_result);
    faults_result.first = FAULTS_ALL;
    if (faults_job.kind < CLASS_STRAY || faults_job.kind == CLASS_BROWNOUTS ||
        faults_job.kind == CLASS_READ) {
        strikes_run(faults_job.kind);
    } else if (faults_job.kind < CLASS_READ) {
        damage_run(faults_job.kind);
    } else if (faults_job.kind == CLASS_COPY) {
        copies_run();
    } else {
        hostile_run(faults_job.kind);
    }
    cases_restore();
    return faults_result.violations != 0u;
}
