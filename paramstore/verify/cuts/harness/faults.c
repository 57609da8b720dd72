/* faults.c: see faults.h. */
#include "faults.h"

#include "bytes.h"
#include "cases.h"
#include "classes.h"
#include "part.h"

Faults_job_t faults_job;
Faults_result_t faults_result;
uint32_t faults_limits[2];
const uint32_t faults_sizes[2] = {sizeof faults_job, sizeof faults_result};

uint32_t faults_run(void)
{
    memcpy(cases.image, part_image, Cuts_CAPACITY);
    cases.known = oracle;
    memset(&faults_result, 0, sizeof faults_result);
    faults_result.first = Faults_ALL;
    if (faults_job.kind < Class_STRAY || faults_job.kind == Class_BROWNOUTS ||
        faults_job.kind == Class_READ) {
        strikes_run(faults_job.kind);
    } else if (faults_job.kind < Class_READ) {
        damage_run(faults_job.kind);
    } else if (faults_job.kind == Class_COPY) {
        copies_run();
    } else {
        hostile_run(faults_job.kind);
    }
    cases_restore();
    return faults_result.violations != 0u;
}
