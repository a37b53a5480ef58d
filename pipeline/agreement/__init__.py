from pipeline.agreement.measuring import Agreement, agreement_of_nights, measure_agreement
from pipeline.agreement.nights import NightFacts, measure_nights, renewed

__all__ = ["Agreement", "NightFacts", "agreement_of_nights", "measure_agreement", "measure_nights", "renewed"]
