# Curves by R: reads courses (stratum, day, status: 0 censored, 1 event, 2 competing), writes what packages say.
# Rscript curves.R courses.csv folder
suppressPackageStartupMessages({library(survival); library(etm); library(cmprsk)})
options(digits = 17, warn = 1)
given <- commandArgs(trailingOnly = TRUE)
courses <- read.csv(given[1])
save <- function(table, name) write.csv(format(table, digits = 17), file.path(given[2], name), row.names = FALSE, quote = FALSE)

of_stratum <- function(part) {
  km <- survfit(Surv(day, status > 0) ~ 1, data = part, conf.type = "log-log")
  aj <- survfit(Surv(day, factor(status, 0:2)) ~ 1, data = part)
  data.frame(stratum = part$stratum[1], day = km$time, at_risk = km$n.risk, share = km$surv,
             deviation = km$surv * km$std.err, low = km$lower, high = km$upper,
             incidence = aj$pstate[, 2], incidence_deviation = aj$std.err[, 2],
             competing = aj$pstate[, 3], competing_deviation = aj$std.err[, 3])
}
half <- function(part) {
  found <- quantile(survfit(Surv(day, status > 0) ~ 1, data = part, conf.type = "log-log"), 0.5)
  data.frame(stratum = part$stratum[1], day = found$quantile, low = found$lower, high = found$upper)
}
incidence_limits <- function(part) {  # etm counts from after day 0, and has no curve without an event
  if (!any(part$status == 1)) return(NULL)
  found <- summary(etmCIF(Surv(day + 1, status != 0) ~ 1, data = part, etype = status), ci.fun = "cloglog")[[1]][["CIF 1"]]
  data.frame(stratum = part$stratum[1], day = found$time - 1, share = found$P, low = found$lower, high = found$upper)
}
test <- function(found) c(found$chisq, length(found$n) - 1)
parts <- split(courses, courses$stratum)
save(do.call(rbind, lapply(parts, of_stratum)), "curves.csv")
save(do.call(rbind, lapply(parts, half)), "medians.csv")
save(do.call(rbind, lapply(parts, incidence_limits)), "incidence_limits.csv")
of_event <- survdiff(Surv(day, status == 1) ~ stratum, data = courses)
of_either <- survdiff(Surv(day, status > 0) ~ stratum, data = courses)
save(as.data.frame(rbind(event = test(of_event), either = test(of_either))), "log_rank.csv")
courses$arm <- courses$stratum %% 2; courses$band <- courses$stratum %/% 2
within <- survdiff(Surv(day, status == 1) ~ arm + strata(band), data = courses)
save(data.frame(statistic = within$chisq, p = pchisq(within$chisq, 1, lower.tail = FALSE)), "within_bands.csv")
gray <- cuminc(courses$day, courses$status, cencode = 0)[["1 1"]]
save(data.frame(day = gray$time, share = gray$est), "cmprsk.csv")
