# Reads tables from the folder named on the command line, writes what R says of them beside.
# Packages: metafor (Mantel-Haenszel over strata, Breslow-Day and Tarone); the rest is R's own.
suppressPackageStartupMessages(library(metafor))
folder <- commandArgs(trailingOnly = TRUE)[1]
options(digits = 17)

pooled <- function(measure, told) {
  # no half is added anywhere; strata without events stay in
  rma.mh(ai = events_a, n1i = cases_a, ci = events_b, n2i = cases_b, data = told, measure = measure,
         add = 0, to = "none", drop00 = FALSE, correct = FALSE, level = 95)
}

of_comparison <- function(told) {
  odds <- pooled("OR", told)
  ratio <- pooled("RR", told)
  difference <- pooled("RD", told)
  shared <- told$cases_a > 0 & told$cases_b > 0
  cells <- with(told[shared, ], array(rbind(events_a, cases_a - events_a, events_b, cases_b - events_b),
                                      c(2, 2, sum(shared))))
  chi <- if (sum(shared) > 1) mantelhaen.test(cells, correct = FALSE)$statistic else NA
  c(odds = exp(as.numeric(odds$beta)), odds_low = exp(odds$ci.lb), odds_high = exp(odds$ci.ub),
    ratio = exp(as.numeric(ratio$beta)), ratio_low = exp(ratio$ci.lb), ratio_high = exp(ratio$ci.ub),
    difference = as.numeric(difference$beta), difference_low = difference$ci.lb, difference_high = difference$ci.ub,
    tarone = odds$TA, tarone_p = odds$TAp, chi = unname(chi))
}

strata <- read.csv(file.path(folder, "strata.csv"))
found <- t(sapply(split(strata, strata$comparison), of_comparison))
write.csv(format(found, digits = 17), file.path(folder, "strata_by_r.csv"), quote = FALSE)

slope <- function(told) {
  line <- glm(cbind(events, cases - events) ~ score, family = binomial, data = told[told$cases > 0, ],
              control = glm.control(epsilon = 1e-13, maxit = 200))
  summary(line)$coefficients["score", 1:2]
}
bands <- read.csv(file.path(folder, "bands.csv"))
found <- t(sapply(split(bands, bands$trend), slope))
colnames(found) <- c("slope", "error")
write.csv(format(found, digits = 17), file.path(folder, "bands_by_r.csv"), quote = FALSE)

# Power of the N - 1 chi-square test, table by table.
power <- function(told) {
  x <- matrix(0:told$m, told$m + 1, told$n + 1)
  y <- matrix(0:told$n, told$m + 1, told$n + 1, byrow = TRUE)
  total <- told$m + told$n
  statistic <- (total - 1) * (x * (told$n - y) - y * (told$m - x))^2 /
    (told$m * told$n * (x + y) * (total - x - y))
  statistic[is.nan(statistic)] <- 0
  rejects <- pchisq(statistic, 1, lower.tail = FALSE) < told$alpha
  sum(outer(dbinom(0:told$m, told$m, told$risk_a), dbinom(0:told$n, told$n, told$risk_b)) * rejects)
}
sizes <- read.csv(file.path(folder, "sizes.csv"))
sizes$power <- sapply(seq_len(nrow(sizes)), function(at) power(sizes[at, ]))
write.csv(format(sizes, digits = 17), file.path(folder, "sizes_by_r.csv"), quote = FALSE, row.names = FALSE)
