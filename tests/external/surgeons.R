# What R's packages say about tables handed over as CSV. Rscript surgeons.R folder
suppressPackageStartupMessages({library(brglm2); library(pROC); library(PoissonBinomial); library(MASS)})
options(digits = 17, warn = 1)
folder <- commandArgs(trailingOnly = TRUE)[1]
given <- function(name) read.csv(file.path(folder, name))
save <- function(table, name) write.csv(format(table, digits = 17), file.path(folder, name), row.names = FALSE, quote = FALSE)
each <- function(table, by, f) do.call(rbind, lapply(split(table, table[[by]]), f))

# cells: table, a, b, c (levels), events, cases
regressions <- function(part) {
  formula <- cbind(events, cases - events) ~ factor(a) + factor(b) + factor(c)
  usual <- glm(formula, binomial, part, epsilon = 1e-14, maxit = 100)
  firth <- glm(formula, binomial, part, method = "brglmFit", type = "AS_mean", epsilon = 1e-12, maxit = 1000)
  data.frame(table = part$table, usual = predict(usual), firth = predict(firth))
}
save(each(given("cells.csv"), "table", regressions), "regressions.csv")

# cells again: discrimination of the risk given with them
discrimination <- function(part) {
  ill <- rep(1:0, c(sum(part$events), sum(part$cases - part$events)))
  risk <- c(rep(part$risk, part$events), rep(part$risk, part$cases - part$events))
  found <- ci.auc(roc(ill, risk, direction = "<", levels = 0:1, quiet = TRUE), method = "delong")
  line <- qlogis(part$risk)
  slope <- coef(glm(cbind(events, cases - events) ~ line, binomial, part, epsilon = 1e-14))[2]
  intercept <- coef(glm(cbind(events, cases - events) ~ offset(line), binomial, part, epsilon = 1e-14))[1]
  data.frame(table = part$table[1], low = found[1], value = found[2], high = found[3], slope, intercept)
}
save(each(given("cells.csv"), "table", discrimination), "discrimination.csv")

# risks: row, risk, cases; events: row, events
seen <- given("events.csv")
of_chance <- function(part) {
  risk <- rep(part$risk, part$cases)
  events <- seen$events[seen$row == part$row[1]]
  data.frame(row = part$row[1], at_most = ppbinom(events, risk, method = "Convolve"),
             low = qpbinom(0.025, risk, method = "Convolve"), high = qpbinom(0.975, risk, method = "Convolve"),
             outer_low = qpbinom(0.001, risk, method = "Convolve"), outer_high = qpbinom(0.999, risk, method = "Convolve"))
}
save(each(given("risks.csv"), "row", of_chance), "chances.csv")

# units: family, events, expected, p
of_family <- function(part) {
  limits <- t(mapply(function(o, e) poisson.test(o, e)$conf.int, part$events, part$expected))
  shape <- as.numeric(theta.ml(part$events, part$expected, limit = 1000, eps = 1e-10))
  data.frame(family = part$family, low = limits[, 1], high = limits[, 2], q = p.adjust(part$p, "BH"), shape)
}
save(each(given("units.csv"), "family", of_family), "families.csv")
